-- What was changed before there were Subscriptions is nobody's event. A constant default
-- fills a column without writing the table anew.
ALTER TABLE outbox ADD COLUMN matched_at timestamptz DEFAULT now();
ALTER TABLE outbox ALTER matched_at DROP DEFAULT;
CREATE INDEX outbox_unmatched ON outbox (partition, seq) WHERE matched_at IS NULL;

-- A row is locked by whoever matches the partition.
CREATE TABLE subscription_partition (
  partition integer PRIMARY KEY,
  turn      timestamptz NOT NULL DEFAULT '-infinity'
) WITH (fillfactor = 10, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
INSERT INTO subscription_partition (partition) SELECT generate_series(0, 63);

-- The queue of each Subscription resource.
CREATE TABLE subscription (
  id            text COLLATE "C" PRIMARY KEY,
  version       bigint NOT NULL,
  status        text NOT NULL,
  owner         text NOT NULL,
  units         text[] NOT NULL,
  all_units     boolean NOT NULL,
  heartbeat     interval NOT NULL,
  lease         interval NOT NULL,
  ends_at       timestamptz,
  events        bigint NOT NULL DEFAULT 0,
  sent          bigint NOT NULL DEFAULT 0,
  due           timestamptz,
  slow          boolean NOT NULL DEFAULT false,
  attempts      integer NOT NULL DEFAULT 0,
  failing_since timestamptz,
  fence         bigint NOT NULL DEFAULT 0,
  leased_until  timestamptz NOT NULL DEFAULT '-infinity'
) WITH (fillfactor = 50, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);

CREATE TABLE subscription_event (
  subscription text COLLATE "C" NOT NULL,
  number       bigint NOT NULL,
  type         text COLLATE "C" NOT NULL,
  id           text COLLATE "C" NOT NULL,
  version      bigint NOT NULL,
  at           timestamptz NOT NULL,
  queued_at    timestamptz NOT NULL DEFAULT now(),
  PRIMARY KEY (subscription, number)
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_cost_delay = 0);
CREATE INDEX subscription_event_queued ON subscription_event (queued_at);
