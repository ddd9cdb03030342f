-- Episodes that were removed: what is told of them later must not begin another one.
CREATE TABLE purged (
  id TEXT PRIMARY KEY,
  at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
