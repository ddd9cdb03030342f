-- Episodes that were removed: what is told of them later must not begin another one.
CREATE TABLE purged (
  id text COLLATE "C" PRIMARY KEY,
  at timestamptz NOT NULL DEFAULT now()
);
