ALTER TABLE search_index DROP COLUMN unit;
