CREATE INDEX search_index_of_unit ON search_index (type, (unit || ' ' || code)) WHERE param = 'status' AND kind = 1;
