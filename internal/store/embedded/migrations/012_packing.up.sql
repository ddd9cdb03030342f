-- This store packs nothing: the step is the other one's.
SELECT 1;
