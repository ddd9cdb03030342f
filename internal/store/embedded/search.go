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

func (dialect) Contains(column, text string) string { return "instr(" + column + ", " + text + ") > 0" }

func (dialect) Micros(column string) string { return column }

func (dialect) Instant(micros int64) any { return micros }

// Search answers a query on the current versions.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	text, args := searchsql.Build(q, dialect{})
	scan := searchsql.NewScan(q)
	if err := s.scan(ctx, scan, text, args); err != nil {
		return store.Page{}, fault("search", err)
	}
	return scan.Page(), nil
}

// Past gives versions, newest first.
func (s *Store) Past(ctx context.Context, p store.Past) (store.PastPage, error) {
	text, args := searchsql.BuildPast(p, dialect{})
	scan := searchsql.NewPastScan(p)
	if err := s.scan(ctx, scan, text, args); err != nil {
		return store.PastPage{}, fault("past", err)
	}
	return scan.PageOfPast(p), nil
}

func (s *Store) scan(ctx context.Context, scan *searchsql.Scan, text string, args []any) error {
	rows, err := s.read.QueryContext(ctx, text, args...)
	_, err = list(rows, err, func(r *sql.Rows) (struct{}, error) {
		if err := r.Scan(scan.Into()...); err != nil {
			return struct{}{}, err
		}
		return struct{}{}, scan.Take()
	})
	return err
}
