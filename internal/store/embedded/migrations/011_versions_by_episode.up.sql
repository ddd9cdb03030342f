-- What is removed of an episode is found by it.
CREATE INDEX resource_version_episode ON resource_version (episode) WHERE episode <> '';
