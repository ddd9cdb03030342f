-- Instants are integers: microseconds since 1970-01-01 UTC. Ranges of the search index
-- are nanoseconds, as search.Value has them.

CREATE TABLE inbox (
  source TEXT NOT NULL,
  id     TEXT NOT NULL,
  digest TEXT NOT NULL,
  answer BLOB,
  at     INTEGER NOT NULL,
  PRIMARY KEY (source, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE episode (
  number          INTEGER PRIMARY KEY,
  id              TEXT NOT NULL UNIQUE,
  unit            TEXT NOT NULL,
  subject         TEXT NOT NULL,
  version         INTEGER NOT NULL,
  state           BLOB,
  rules_version   INTEGER NOT NULL,
  protocol        TEXT NOT NULL,
  protocol_digest TEXT NOT NULL,
  due             INTEGER,
  leased_until    INTEGER
) STRICT;
CREATE INDEX episode_subject ON episode (subject, number);
CREATE INDEX episode_due ON episode (due, id) WHERE due IS NOT NULL;

CREATE TABLE episode_input (
  episode TEXT NOT NULL,
  seq     INTEGER NOT NULL,
  unit    TEXT NOT NULL,
  kind    TEXT NOT NULL,
  body    BLOB,
  at      INTEGER NOT NULL,
  answer  BLOB,
  PRIMARY KEY (episode, seq)
) STRICT;

CREATE TABLE resource (
  type    TEXT NOT NULL,
  id      TEXT NOT NULL,
  version INTEGER NOT NULL,
  updated INTEGER NOT NULL,
  unit    TEXT NOT NULL,
  PRIMARY KEY (type, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX resource_updated ON resource (type, updated, id);

CREATE TABLE resource_version (
  type    TEXT NOT NULL,
  id      TEXT NOT NULL,
  version INTEGER NOT NULL,
  updated INTEGER NOT NULL,
  unit    TEXT NOT NULL,
  episode TEXT NOT NULL,
  body    BLOB,
  PRIMARY KEY (type, id, version)
) STRICT;

CREATE TABLE identity (
  type   TEXT NOT NULL,
  system TEXT NOT NULL,
  value  TEXT NOT NULL,
  id     TEXT NOT NULL,
  PRIMARY KEY (type, system, value)
) STRICT, WITHOUT ROWID;

CREATE TABLE search_index (
  type   TEXT NOT NULL,
  param  TEXT NOT NULL,
  kind   INTEGER NOT NULL,
  system TEXT NOT NULL,
  code   TEXT NOT NULL,
  text   TEXT NOT NULL,
  lo     INTEGER NOT NULL,
  hi     INTEGER NOT NULL,
  id     TEXT NOT NULL,
  unit   TEXT NOT NULL
) STRICT;
CREATE INDEX search_index_owner ON search_index (type, id, param);
CREATE INDEX search_index_code ON search_index (type, param, code, id) WHERE kind IN (1, 2, 5);
CREATE INDEX search_index_range ON search_index (type, param, lo, hi, id) WHERE kind = 3;
CREATE INDEX search_index_text ON search_index (type, param, text, id) WHERE kind = 4;

CREATE TABLE outbox (
  seq        INTEGER PRIMARY KEY AUTOINCREMENT,
  partition  INTEGER NOT NULL,
  episode    TEXT NOT NULL,
  subject    TEXT NOT NULL,
  message_id TEXT NOT NULL UNIQUE,
  headers    TEXT NOT NULL,
  body       BLOB,
  sent_at    INTEGER
) STRICT;
CREATE INDEX outbox_unsent ON outbox (partition, seq) WHERE sent_at IS NULL;

CREATE TABLE outbox_lease (
  partition    INTEGER PRIMARY KEY,
  holder       TEXT NOT NULL DEFAULT '',
  fence        INTEGER NOT NULL DEFAULT 0,
  leased_until INTEGER NOT NULL DEFAULT 0
) STRICT;
WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 63)
INSERT INTO outbox_lease (partition) SELECT i FROM n;

CREATE TABLE quarantine (
  number  INTEGER PRIMARY KEY,
  id      TEXT NOT NULL UNIQUE,
  episode TEXT NOT NULL,
  kind    TEXT NOT NULL,
  body    BLOB,
  fault   TEXT NOT NULL,
  at      INTEGER NOT NULL
) STRICT;

CREATE TABLE setting (
  name  TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE protocol (
  canonical TEXT PRIMARY KEY,
  body      BLOB
) STRICT;
