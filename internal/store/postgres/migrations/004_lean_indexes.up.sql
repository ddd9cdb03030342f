-- online
-- An index that ends in an id has as many keys as rows. Without it, equal keys share one entry
-- (deduplication, https://www.postgresql.org/docs/current/btree.html), and most of what is
-- searched for has few values: these take a sixth of the space. Rows of one resource lie
-- together, so that finding them all by id costs no more than finding one.
CREATE INDEX CONCURRENTLY IF NOT EXISTS search_index_of ON search_index (id);
CREATE INDEX CONCURRENTLY IF NOT EXISTS search_index_by_code ON search_index (type, param, code) WHERE kind IN (1, 2, 5);
CREATE INDEX CONCURRENTLY IF NOT EXISTS search_index_by_range ON search_index (type, param, lo, hi) WHERE kind = 3;
CREATE INDEX CONCURRENTLY IF NOT EXISTS search_index_by_text ON search_index (type, param, text) WHERE kind = 4;
CREATE INDEX CONCURRENTLY IF NOT EXISTS resource_by_time ON resource (type, updated);
CREATE INDEX CONCURRENTLY IF NOT EXISTS resource_version_by_time ON resource_version (type, updated);
DROP INDEX CONCURRENTLY IF EXISTS search_index_owner;
DROP INDEX CONCURRENTLY IF EXISTS search_index_code;
DROP INDEX CONCURRENTLY IF EXISTS search_index_range;
DROP INDEX CONCURRENTLY IF EXISTS search_index_text;
DROP INDEX CONCURRENTLY IF EXISTS resource_updated;
DROP INDEX CONCURRENTLY IF EXISTS resource_version_updated;
