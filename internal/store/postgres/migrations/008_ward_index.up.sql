-- online
-- What a ward asks first is the status of its own Tasks: rows of the parameter status have their
-- unit again, and an index in which a ward's open Tasks lie together, however many others there
-- are. As an expression it has statistics of its own, so that the planner knows how few they are.
CREATE INDEX CONCURRENTLY IF NOT EXISTS search_index_of_unit ON search_index (type, (unit || ' ' || code)) WHERE param = 'status' AND kind = 1;
