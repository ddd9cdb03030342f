package postgres

import (
	"context"

	"fhirsvc/internal/store"
)

// Tagged reports whether anything has a tag that is about a Patient, or about one that links
// join with it. It goes from the patient to what is about them and then to its tag, and never
// through all that has the tag: OFFSET 0 keeps the parts in this order, and the index by code
// holds some kinds alone, of which the last part names none.
func (s *Store) Tagged(ctx context.Context, patient string, t store.Tag) (found bool, err error) {
	err = s.pool.QueryRow(ctx, taggedQuery, patient, t.Types, t.System, t.Code).Scan(&found)
	return found, fault("tagged", err)
}

const taggedQuery = `WITH RECURSIVE person (id) AS (
  SELECT $1::text COLLATE "C"
  UNION
  SELECT l.id FROM person p CROSS JOIN LATERAL (
    SELECT x.code AS id FROM search_index x
    WHERE x.id = p.id AND x.type = 'Patient' AND x.param = 'link' AND x.system = 'Patient'
    UNION ALL
    SELECT x.id FROM search_index x
    WHERE x.type = 'Patient' AND x.param = 'link' AND x.kind = 2 AND x.code = p.id AND x.system = 'Patient'
  ) l
)
SELECT EXISTS (
  SELECT FROM person p CROSS JOIN unnest($2::text[]) AS k (type)
  CROSS JOIN LATERAL (
    SELECT x.id FROM search_index x
    WHERE x.type = k.type AND x.param = 'subject' AND x.kind = 2 AND x.code = p.id AND x.system = 'Patient'
    OFFSET 0
  ) s
  CROSS JOIN LATERAL (
    SELECT FROM search_index x WHERE x.id = s.id AND x.type = k.type AND x.param = '_tag' AND x.system = $3 AND x.code = $4
    OFFSET 0
  ) t
)`
