-- Texts are compared byte by byte (collation "C"): paging by id needs one order
-- whatever the database's locale, and a start-of-text search can use the index.
-- Bodies are stored uncompressed (EXTERNAL): compression costs more than it saves here.
-- Tables whose rows change are vacuumed early and without delay: a queue dies by dead
-- rows (https://brandur.org/postgres-queues).

CREATE TABLE inbox (
  source text COLLATE "C" NOT NULL,
  id     text COLLATE "C" NOT NULL,
  digest text NOT NULL,
  answer bytea,
  at     timestamptz NOT NULL,
  PRIMARY KEY (source, id)
);
ALTER TABLE inbox ALTER answer SET STORAGE EXTERNAL;

CREATE TABLE episode (
  id              text COLLATE "C" PRIMARY KEY,
  number          bigint GENERATED ALWAYS AS IDENTITY,
  unit            text COLLATE "C" NOT NULL,
  subject         text COLLATE "C" NOT NULL,
  version         bigint NOT NULL,
  state           bytea,
  rules_version   integer NOT NULL,
  protocol        text NOT NULL,
  protocol_digest text NOT NULL,
  due             timestamptz,
  leased_until    timestamptz
) WITH (fillfactor = 70, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
ALTER TABLE episode ALTER state SET STORAGE EXTERNAL;
CREATE INDEX episode_subject ON episode (subject);
CREATE INDEX episode_due ON episode (due, id) WHERE due IS NOT NULL;

CREATE TABLE episode_input (
  episode text COLLATE "C" NOT NULL,
  seq     bigint NOT NULL,
  unit    text COLLATE "C" NOT NULL,
  kind    text NOT NULL,
  body    bytea,
  at      timestamptz NOT NULL,
  answer  bytea,
  PRIMARY KEY (episode, seq)
);
ALTER TABLE episode_input ALTER body SET STORAGE EXTERNAL, ALTER answer SET STORAGE EXTERNAL;

-- The current version of each resource; its bytes are in resource_version.
CREATE TABLE resource (
  type    text COLLATE "C" NOT NULL,
  id      text COLLATE "C" NOT NULL,
  version bigint NOT NULL,
  updated timestamptz NOT NULL,
  unit    text COLLATE "C" NOT NULL,
  PRIMARY KEY (type, id)
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
CREATE INDEX resource_updated ON resource (type, updated, id);

CREATE TABLE resource_version (
  type    text COLLATE "C" NOT NULL,
  id      text COLLATE "C" NOT NULL,
  version bigint NOT NULL,
  updated timestamptz NOT NULL,
  unit    text COLLATE "C" NOT NULL,
  episode text COLLATE "C" NOT NULL,
  body    bytea,
  PRIMARY KEY (type, id, version)
);
ALTER TABLE resource_version ALTER body SET STORAGE EXTERNAL;

CREATE TABLE identity (
  type   text COLLATE "C" NOT NULL,
  system text COLLATE "C" NOT NULL,
  value  text COLLATE "C" NOT NULL,
  id     text COLLATE "C" NOT NULL,
  PRIMARY KEY (type, system, value)
);

-- kind is search.Kind: 1 token, 2 reference, 3 date, 4 string, 5 uri. lo and hi are
-- nanoseconds since 1970-01-01 UTC.
CREATE TABLE search_index (
  lo     bigint NOT NULL,
  hi     bigint NOT NULL,
  kind   integer NOT NULL,
  type   text COLLATE "C" NOT NULL,
  param  text COLLATE "C" NOT NULL,
  system text COLLATE "C" NOT NULL,
  code   text COLLATE "C" NOT NULL,
  text   text COLLATE "C" NOT NULL,
  id     text COLLATE "C" NOT NULL,
  unit   text COLLATE "C" NOT NULL
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
CREATE INDEX search_index_owner ON search_index (type, id, param);
CREATE INDEX search_index_code ON search_index (type, param, code, id) WHERE kind IN (1, 2, 5);
CREATE INDEX search_index_range ON search_index (type, param, lo, hi, id) WHERE kind = 3;
CREATE INDEX search_index_text ON search_index (type, param, text, id) WHERE kind = 4;

-- Sent rows stay; only the unsent ones are indexed for the relay.
CREATE TABLE outbox (
  seq        bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  sent_at    timestamptz,
  partition  integer NOT NULL,
  episode    text COLLATE "C" NOT NULL,
  subject    text NOT NULL,
  message_id text COLLATE "C" NOT NULL UNIQUE,
  headers    json NOT NULL,
  body       bytea
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
ALTER TABLE outbox ALTER body SET STORAGE EXTERNAL;
CREATE INDEX outbox_unsent ON outbox (partition, seq) WHERE sent_at IS NULL;

CREATE TABLE outbox_lease (
  partition    integer PRIMARY KEY,
  holder       text NOT NULL DEFAULT '',
  fence        bigint NOT NULL DEFAULT 0,
  leased_until timestamptz NOT NULL DEFAULT '-infinity'
) WITH (fillfactor = 10, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
INSERT INTO outbox_lease (partition) SELECT generate_series(0, 63);

CREATE TABLE quarantine (
  id      text COLLATE "C" PRIMARY KEY,
  number  bigint GENERATED ALWAYS AS IDENTITY,
  episode text NOT NULL,
  kind    text NOT NULL,
  body    bytea,
  fault   text NOT NULL,
  at      timestamptz NOT NULL
);
ALTER TABLE quarantine ALTER body SET STORAGE EXTERNAL;

CREATE TABLE setting (
  name  text PRIMARY KEY,
  value text NOT NULL
);

CREATE TABLE protocol (
  canonical text PRIMARY KEY,
  body      bytea
);
ALTER TABLE protocol ALTER body SET STORAGE EXTERNAL;
