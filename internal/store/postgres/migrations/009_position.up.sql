-- Up to which event everything was settled when this one was taken in: of the stream that was
-- made at that instant. After a restore the events after it are asked for again.
ALTER TABLE inbox ADD COLUMN stream timestamptz, ADD COLUMN settled bigint;
