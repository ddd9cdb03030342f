package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// versionRow is a row of resource_version.
type versionRow struct {
	Type, ID      string
	Version       int64
	Updated       time.Time
	Unit, Episode string
	Body          []byte
}

// toResource reads a row of resource_version.
func toResource(row pgx.CollectableRow) (store.Resource, error) {
	r, err := pgx.RowToStructByName[versionRow](row)
	if err != nil {
		return store.Resource{}, err
	}
	body, err := unpack(r.Body)
	return store.Resource{
		Type: r.Type, ID: r.ID, Version: r.Version, Updated: r.Updated, Unit: r.Unit, Episode: r.Episode, Body: body,
	}, err
}

// Read gives the current version; not-found if there is none.
func (s *Store) Read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	const query = `SELECT v.type, v.id, v.version, v.updated, v.unit, v.episode, v.body
FROM resource r JOIN resource_version v USING (type, id, version)
WHERE r.type = $1 AND r.id = $2`
	return s.one(ctx, "read", resourceType+"/"+id, query, resourceType, id)
}

// ReadVersion gives one version; not-found if there is none.
func (s *Store) ReadVersion(ctx context.Context, resourceType, id string, version int64) (store.Resource, error) {
	const query = `SELECT type, id, version, updated, unit, episode, body
FROM resource_version WHERE type = $1 AND id = $2 AND version = $3`
	return s.one(ctx, "vread", fmt.Sprintf("%s/%s version %d", resourceType, id, version), query, resourceType, id, version)
}

func (s *Store) one(ctx context.Context, op, what, query string, args ...any) (store.Resource, error) {
	rows, err := s.pool.Query(ctx, query, args...)
	if err != nil {
		return store.Resource{}, fault(op, err)
	}
	r, err := pgx.CollectExactlyOneRow(rows, toResource)
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Resource{}, notFound(op, what)
	}
	return r, fault(op, err)
}

// History gives all versions, newest first; not-found if there is none.
func (s *Store) History(ctx context.Context, resourceType, id string) ([]store.Resource, error) {
	const query = `SELECT type, id, version, updated, unit, episode, body
FROM resource_version WHERE type = $1 AND id = $2 ORDER BY version DESC`
	rows, err := s.pool.Query(ctx, query, resourceType, id)
	if err != nil {
		return nil, fault("history", err)
	}
	versions, err := pgx.CollectRows(rows, toResource)
	if err != nil {
		return nil, fault("history", err)
	}
	if len(versions) == 0 {
		return nil, notFound("history", resourceType+"/"+id)
	}
	return versions, nil
}

// Identity gives the id of the resource that holds a business identifier.
func (s *Store) Identity(ctx context.Context, resourceType, system, value string) (id string, ok bool, err error) {
	const query = `SELECT id FROM identity WHERE type = $1 AND system = $2 AND value = $3`
	err = s.pool.QueryRow(ctx, query, resourceType, system, value).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return "", false, nil
	}
	return id, err == nil, fault("identity", err)
}
