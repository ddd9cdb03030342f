-- online
-- What is removed of an episode is found by it.
DROP INDEX CONCURRENTLY IF EXISTS resource_version_episode;
CREATE INDEX CONCURRENTLY resource_version_episode ON resource_version (episode) WHERE episode <> '';
