-- When a row was committed, so that it can be told how long it has waited.
ALTER TABLE outbox ADD COLUMN queued_at INTEGER;

-- Rows that the broker will never take as they are. They are marked as sent, so that they
-- stand in nobody's way.
CREATE TABLE outbox_aside (
  seq         INTEGER PRIMARY KEY,
  at          INTEGER NOT NULL,
  code        TEXT NOT NULL,
  details     TEXT NOT NULL,
  diagnostics TEXT NOT NULL
) STRICT;

-- The external FHIR servers. While one is away nothing is claimed before its pause ends.
CREATE TABLE destination (
  name         TEXT PRIMARY KEY,
  attempts     INTEGER NOT NULL DEFAULT 0,
  paused_until INTEGER NOT NULL DEFAULT 0,
  taken_at     INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

-- What waits for an episode at a destination; the changes themselves are in delivery, and
-- their bodies in resource_version.
CREATE TABLE delivery_queue (
  number        INTEGER PRIMARY KEY AUTOINCREMENT,
  destination   TEXT NOT NULL,
  episode       TEXT NOT NULL,
  due           INTEGER,
  token         TEXT NOT NULL DEFAULT '',
  leased_until  INTEGER NOT NULL DEFAULT 0,
  attempts      INTEGER NOT NULL DEFAULT 0,
  failing_since INTEGER,
  doubt         INTEGER NOT NULL DEFAULT 0,
  overwrite     INTEGER NOT NULL DEFAULT 0,
  refused_at    INTEGER,
  code          TEXT NOT NULL DEFAULT '',
  status        INTEGER NOT NULL DEFAULT 0,
  details       TEXT NOT NULL DEFAULT '',
  diagnostics   TEXT NOT NULL DEFAULT '',
  UNIQUE (destination, episode)
) STRICT;
CREATE INDEX delivery_queue_due ON delivery_queue (destination, due, episode) WHERE due IS NOT NULL;

CREATE TABLE delivery (
  destination TEXT NOT NULL,
  episode     TEXT NOT NULL,
  seq         INTEGER NOT NULL,
  change      INTEGER NOT NULL,
  type        TEXT NOT NULL,
  id          TEXT NOT NULL,
  version     INTEGER NOT NULL,
  queued_at   INTEGER NOT NULL,
  PRIMARY KEY (destination, episode, seq)
) STRICT, WITHOUT ROWID;

-- What is known of the copies at a destination.
CREATE TABLE delivered (
  destination    TEXT NOT NULL,
  type           TEXT NOT NULL,
  id             TEXT NOT NULL,
  version        INTEGER NOT NULL,
  remote_id      TEXT NOT NULL,
  remote_version TEXT NOT NULL,
  is_foreign     INTEGER NOT NULL,
  PRIMARY KEY (destination, type, id)
) STRICT, WITHOUT ROWID;
