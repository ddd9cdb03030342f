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

func (dialect) Contains(column, text string) string {
	return "strpos(" + column + ", " + text + ") > 0"
}

func (dialect) Micros(column string) string {
	return "(extract(epoch FROM " + column + ") * 1000000)::bigint"
}

func (dialect) Instant(micros int64) any { return time.UnixMicro(micros) }

// Search answers a query on the current versions. It is planned for the values asked
// for, with all kinds of plans: how many resources have a code differs too much for
// the way other statements are planned (see setDefaults). Rows of one resource lie on
// one page, so that a random page costs little more than the next one. The settings end with
// the batch, which is one transaction.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	text, args := searchsql.Build(q, dialect{})
	scan := searchsql.NewScan(q)
	if err := s.scan(ctx, scan, text, args); err != nil {
		return store.Page{}, fault("search", err)
	}
	page := scan.Page()
	return page, fault("search", unpackBodies(page.Matches))
}

// Past gives versions, newest first. It is planned as a search is.
func (s *Store) Past(ctx context.Context, p store.Past) (store.PastPage, error) {
	text, args := searchsql.BuildPast(p, dialect{})
	scan := searchsql.NewPastScan(p)
	if err := s.scan(ctx, scan, text, args); err != nil {
		return store.PastPage{}, fault("past", err)
	}
	page := scan.PageOfPast(p)
	return page, fault("past", unpackBodies(page.Versions))
}

func (s *Store) scan(ctx context.Context, scan *searchsql.Scan, text string, args []any) error {
	const plan = `SELECT set_config('plan_cache_mode', 'force_custom_plan', true), set_config('enable_seqscan', 'on', true),
  set_config('enable_hashjoin', 'on', true), set_config('enable_mergejoin', 'on', true),
  set_config('random_page_cost', '1.1', true)`
	batch := &pgx.Batch{}
	batch.Queue(plan)
	batch.Queue(text, args...).Query(func(rows pgx.Rows) error {
		_, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (struct{}, error) {
			if err := r.Scan(scan.Into()...); err != nil {
				return struct{}{}, err
			}
			return struct{}{}, scan.Take()
		})
		return err
	})
	return s.pool.SendBatch(ctx, batch).Close()
}

func unpackBodies(found []store.Resource) error {
	for i := range found {
		if err := unpackAll(&found[i].Body); err != nil {
			return err
		}
	}
	return nil
}
