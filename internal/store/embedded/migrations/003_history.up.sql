-- The history of a type is read by the time at which its versions were written.
CREATE INDEX resource_version_updated ON resource_version (type, updated, id, version);
