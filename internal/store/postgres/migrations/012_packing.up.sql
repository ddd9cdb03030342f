-- How bodies are packed. Builds before this step read zstd alone: a database that holds something,
-- which one of them may serve, goes on with it, and one that holds nothing begins with S2. A later
-- step moves all, when it serves none of those builds any more.
CREATE TABLE packing (name text PRIMARY KEY);
INSERT INTO packing SELECT 's2' WHERE NOT EXISTS (SELECT FROM resource_version);
