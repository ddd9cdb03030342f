-- Up to which event everything was settled when this one was taken in: of the stream that was
-- made at that instant.
ALTER TABLE inbox ADD COLUMN stream INTEGER;
ALTER TABLE inbox ADD COLUMN settled INTEGER;
