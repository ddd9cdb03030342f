package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"fhirsvc/internal/store"
)

// Read gives the current version; not-found if there is none.
func (s *Store) Read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	const query = `SELECT v.id, v.version, v.updated, v.unit, v.episode, v.body
FROM resource r JOIN resource_version v ON v.type = r.type AND v.id = r.id AND v.version = r.version
WHERE r.type = ? AND r.id = ?`
	r, err := scanResource(resourceType, s.read.QueryRowContext(ctx, query, resourceType, id))
	if errors.Is(err, sql.ErrNoRows) {
		return store.Resource{}, notFound("read", resourceType+"/"+id)
	}
	return r, fault("read", err)
}

// ReadVersion gives one version; not-found if there is none.
func (s *Store) ReadVersion(ctx context.Context, resourceType, id string, version int64) (store.Resource, error) {
	const query = `SELECT id, version, updated, unit, episode, body
FROM resource_version WHERE type = ? AND id = ? AND version = ?`
	r, err := scanResource(resourceType, s.read.QueryRowContext(ctx, query, resourceType, id, version))
	if errors.Is(err, sql.ErrNoRows) {
		return store.Resource{}, notFound("vread", fmt.Sprintf("%s/%s version %d", resourceType, id, version))
	}
	return r, fault("vread", err)
}

// History gives all versions, newest first; not-found if there is none.
func (s *Store) History(ctx context.Context, resourceType, id string) ([]store.Resource, error) {
	const query = `SELECT id, version, updated, unit, episode, body
FROM resource_version WHERE type = ? AND id = ? ORDER BY version DESC`
	rows, err := s.read.QueryContext(ctx, query, resourceType, id)
	versions, err := list(rows, err, func(r *sql.Rows) (store.Resource, error) {
		return scanResource(resourceType, r)
	})
	if err == nil && len(versions) == 0 {
		return nil, notFound("history", resourceType+"/"+id)
	}
	return versions, fault("history", err)
}

// Identity gives the id of the resource that holds a business identifier.
func (s *Store) Identity(ctx context.Context, resourceType, system, value string) (string, bool, error) {
	id, err := holder(ctx, s.read, resourceType, system, value)
	return id, id != "", fault("identity", err)
}

// Tagged reports whether anything has a tag that is about a Patient, or about one that links
// join with it.
func (s *Store) Tagged(ctx context.Context, patient string, t store.Tag) (bool, error) {
	const query = `WITH RECURSIVE person (id) AS (
  SELECT ?1
  UNION
  SELECT x.code FROM person p JOIN search_index x
    ON x.type = 'Patient' AND x.id = p.id AND x.param = 'link' AND x.system = 'Patient'
  UNION
  SELECT x.id FROM person p JOIN search_index x
    ON x.type = 'Patient' AND x.param = 'link' AND x.kind = 2 AND x.code = p.id AND x.system = 'Patient'
)
SELECT EXISTS (
  SELECT 1 FROM person p
  JOIN search_index s ON s.type = ?2 AND s.param = 'subject' AND s.kind = 2 AND s.code = p.id AND s.system = 'Patient'
  JOIN search_index t ON t.type = ?2 AND t.id = s.id AND t.param = '_tag' AND t.system = ?3 AND t.code = ?4
)`
	for _, resourceType := range t.Types {
		var found bool
		err := s.read.QueryRowContext(ctx, query, patient, resourceType, t.System, t.Code).Scan(&found)
		if found || err != nil {
			return found, fault("tagged", err)
		}
	}
	return false, nil
}

// querier is a database or a transaction.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// holder gives the id that holds a business identifier, "" if none does.
func holder(ctx context.Context, q querier, resourceType, system, value string) (id string, err error) {
	const query = `SELECT id FROM identity WHERE type = ? AND system = ? AND value = ?`
	err = q.QueryRowContext(ctx, query, resourceType, system, value).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return id, err
}

// row is what has one row of a result under it.
type row interface{ Scan(dest ...any) error }

func scanResource(resourceType string, r row) (store.Resource, error) {
	res := store.Resource{Type: resourceType}
	var updated int64
	err := r.Scan(&res.ID, &res.Version, &updated, &res.Unit, &res.Episode, &res.Body)
	res.Updated = instant(updated)
	return res, err
}
