package postgres

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/searchsql"
)

// dialect is what PostgreSQL says in its own way.
type dialect struct{}

func (dialect) Placeholder(n int) string { return "$" + strconv.Itoa(n) }

// StartsWith uses the index under collation "C".
func (dialect) StartsWith(column, prefix string) string { return column + " ^@ " + prefix }

func (dialect) Micros(column string) string {
	return "(extract(epoch FROM " + column + ") * 1000000)::bigint"
}

func (dialect) Instant(micros int64) any { return time.UnixMicro(micros) }

// matchRow is a row of searchsql; all but Total are NULL on an empty page.
type matchRow struct {
	Total         int
	Key           *int64
	ID            *string
	Version       *int64
	Updated       *time.Time
	Unit, Episode *string
	Body          []byte
}

// Search answers a query on the current versions. It is planned for the values asked
// for, with all kinds of plans: how many resources have a code differs too much for
// the way other statements are planned (see setDefaults). The settings end with the
// batch, which is one transaction.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	const plan = `SELECT set_config('plan_cache_mode', 'force_custom_plan', true), set_config('enable_seqscan', 'on', true),
  set_config('enable_hashjoin', 'on', true), set_config('enable_mergejoin', 'on', true)`
	text, args := searchsql.Build(q, dialect{})
	var found []matchRow
	batch := &pgx.Batch{}
	batch.Queue(plan)
	batch.Queue(text, args...).Query(func(rows pgx.Rows) (err error) {
		found, err = pgx.CollectRows(rows, pgx.RowToStructByName[matchRow])
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return store.Page{}, fault("search", err)
	}
	var rows []searchsql.Row
	for _, m := range found {
		if m.ID == nil {
			continue
		}
		rows = append(rows, searchsql.Row{
			At: search.Cursor{Key: *m.Key, ID: *m.ID},
			Match: store.Resource{
				Type: q.Type, ID: *m.ID, Version: *m.Version, Updated: *m.Updated, Unit: *m.Unit, Episode: *m.Episode, Body: m.Body,
			},
		})
	}
	return searchsql.Page(q, found[0].Total, rows), nil
}
