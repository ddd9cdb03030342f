-- As in the other store: rows of the parameter status have their unit.
ALTER TABLE search_index ADD COLUMN unit TEXT NOT NULL DEFAULT '';
