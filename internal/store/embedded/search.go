package embedded

import (
	"context"
	"database/sql"
	"strconv"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/searchsql"
)

// dialect is what SQLite says in its own way.
type dialect struct{}

func (dialect) Placeholder(n int) string { return "?" + strconv.Itoa(n) }

// StartsWith has a lower bound for the index beside the exact test.
func (dialect) StartsWith(column, prefix string) string {
	return "(" + column + " >= " + prefix + " AND substr(" + column + ", 1, length(" + prefix + ")) = " + prefix + ")"
}

func (dialect) Micros(column string) string { return column }

func (dialect) Instant(micros int64) any { return micros }

// Search answers a query on the current versions.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	text, args := searchsql.Build(q, dialect{})
	total := 0
	var found []searchsql.Row
	rows, err := s.read.QueryContext(ctx, text, args...)
	_, err = list(rows, err, func(r *sql.Rows) (struct{}, error) {
		var key, version, updated sql.NullInt64
		var id, unit, episode sql.NullString
		var body []byte
		err := r.Scan(&total, &key, &id, &version, &updated, &unit, &episode, &body)
		if err == nil && id.Valid {
			found = append(found, searchsql.Row{
				At: search.Cursor{Key: key.Int64, ID: id.String},
				Match: store.Resource{
					Type: q.Type, ID: id.String, Version: version.Int64, Updated: instant(updated.Int64),
					Unit: unit.String, Episode: episode.String, Body: body,
				},
			})
		}
		return struct{}{}, err
	})
	if err != nil {
		return store.Page{}, fault("search", err)
	}
	return searchsql.Page(q, total, found), nil
}
