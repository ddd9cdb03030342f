-- When a row was committed, so that it can be told how long it has waited. A default that is
-- constant within a transaction fills a column without writing the table anew.
ALTER TABLE outbox ADD COLUMN queued_at timestamptz DEFAULT now();

-- Rows that the broker will never take as they are. They are marked as sent, so that they
-- stand in nobody's way.
CREATE TABLE outbox_aside (
  seq         bigint PRIMARY KEY,
  at          timestamptz NOT NULL DEFAULT now(),
  code        text NOT NULL,
  details     text NOT NULL,
  diagnostics text NOT NULL
);

-- The external FHIR servers. While one is away nothing is claimed before its pause ends.
CREATE TABLE destination (
  name         text COLLATE "C" PRIMARY KEY,
  attempts     integer NOT NULL DEFAULT 0,
  paused_until timestamptz NOT NULL DEFAULT '-infinity',
  taken_at     timestamptz NOT NULL DEFAULT '-infinity'
) WITH (fillfactor = 50, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);

-- What waits for an episode at a destination; the changes themselves are in delivery, and
-- their bodies in resource_version.
CREATE TABLE delivery_queue (
  destination   text COLLATE "C" NOT NULL,
  episode       text COLLATE "C" NOT NULL,
  number        bigint GENERATED ALWAYS AS IDENTITY,
  partition     integer NOT NULL,
  due           timestamptz,
  token         text NOT NULL DEFAULT '',
  leased_until  timestamptz NOT NULL DEFAULT '-infinity',
  attempts      integer NOT NULL DEFAULT 0,
  failing_since timestamptz,
  doubt         boolean NOT NULL DEFAULT false,
  overwrite     boolean NOT NULL DEFAULT false,
  refused_at    timestamptz,
  code          text NOT NULL DEFAULT '',
  status        integer NOT NULL DEFAULT 0,
  details       text NOT NULL DEFAULT '',
  diagnostics   text NOT NULL DEFAULT '',
  PRIMARY KEY (destination, episode)
) WITH (fillfactor = 70, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
CREATE INDEX delivery_queue_due ON delivery_queue (destination, due, episode) WHERE due IS NOT NULL;
CREATE UNIQUE INDEX delivery_queue_number ON delivery_queue (destination, number);

CREATE TABLE delivery (
  destination text COLLATE "C" NOT NULL,
  episode     text COLLATE "C" NOT NULL,
  seq         bigint NOT NULL,
  change      bigint NOT NULL,
  type        text COLLATE "C" NOT NULL,
  id          text COLLATE "C" NOT NULL,
  version     bigint NOT NULL,
  queued_at   timestamptz NOT NULL,
  PRIMARY KEY (destination, episode, seq)
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);

-- What is known of the copies at a destination.
CREATE TABLE delivered (
  destination    text COLLATE "C" NOT NULL,
  type           text COLLATE "C" NOT NULL,
  id             text COLLATE "C" NOT NULL,
  version        bigint NOT NULL,
  remote_id      text NOT NULL,
  remote_version text NOT NULL,
  is_foreign     boolean NOT NULL,
  PRIMARY KEY (destination, type, id)
) WITH (fillfactor = 70);
