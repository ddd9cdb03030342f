-- The unit of an index value is that of its resource: forty bytes in every row said it again.
-- A release from before, beside this one, shows less of what units share until it is replaced.
ALTER TABLE search_index ALTER unit SET DEFAULT '';
-- The state of an episode lies in the TOAST table, whose dead rows are vacuumed by settings of
-- its own.
ALTER TABLE episode SET (toast.autovacuum_vacuum_scale_factor = 0.01, toast.autovacuum_vacuum_cost_delay = 0);
