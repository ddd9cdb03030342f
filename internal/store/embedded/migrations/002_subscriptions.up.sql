-- What was changed before there were Subscriptions is nobody's event.
ALTER TABLE outbox ADD COLUMN matched_at INTEGER;
UPDATE outbox SET matched_at = coalesce(sent_at, 0);
CREATE INDEX outbox_unmatched ON outbox (seq) WHERE matched_at IS NULL;

-- The queue of each Subscription resource. heartbeat and lease are microseconds.
CREATE TABLE subscription (
  id            TEXT PRIMARY KEY,
  version       INTEGER NOT NULL,
  status        TEXT NOT NULL,
  owner         TEXT NOT NULL,
  units         TEXT NOT NULL,
  all_units     INTEGER NOT NULL,
  heartbeat     INTEGER NOT NULL,
  lease         INTEGER NOT NULL,
  ends_at       INTEGER,
  events        INTEGER NOT NULL DEFAULT 0,
  sent          INTEGER NOT NULL DEFAULT 0,
  due           INTEGER,
  slow          INTEGER NOT NULL DEFAULT 0,
  attempts      INTEGER NOT NULL DEFAULT 0,
  failing_since INTEGER,
  fence         INTEGER NOT NULL DEFAULT 0,
  leased_until  INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE TABLE subscription_event (
  subscription TEXT NOT NULL,
  number       INTEGER NOT NULL,
  type         TEXT NOT NULL,
  id           TEXT NOT NULL,
  version      INTEGER NOT NULL,
  at           INTEGER NOT NULL,
  queued_at    INTEGER NOT NULL,
  PRIMARY KEY (subscription, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX subscription_event_queued ON subscription_event (queued_at);
