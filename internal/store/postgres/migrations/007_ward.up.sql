-- Rows of one resource lie together, and a sample of pages counts far too few resources: the
-- planner then thinks that an id has hundreds of values. It has about seventeen.
ALTER TABLE search_index ALTER id SET (n_distinct = -0.06);
