package scale

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

// filler copies templates into a database.
type filler struct {
	finished [][]copied
	open     [][]copied
	begun    []time.Time // of open ones
	ended    []time.Time // days on which finished ones began
	now      time.Time
	next     int // number of the next copy
}

// units is among how many the copies are spread.
const units = 200

func newFiller(t testing.TB, u *unit, n int, now time.Time) *filler {
	t.Helper()
	f := &filler{now: now, next: 1}
	finished, open := u.templates(n, now)
	own := ids(append(finished, open...))
	number := firstNumber + 1
	for _, each := range finished {
		number++
		f.finished = append(f.finished, prepare(each, number, own))
		f.ended = append(f.ended, each.begun.Truncate(24*time.Hour))
	}
	for _, each := range open {
		number++
		f.open = append(f.open, prepare(each, number, own))
		f.begun = append(f.begun, each.begun)
	}
	return f
}

// began is when the tests began: as if the open episodes of shared templates were at that minute.
var began = time.Now().UTC().Truncate(time.Minute)

var sharedFiller struct {
	sync.Mutex
	*filler
}

// shared gives a filler whose two templates of each kind were played once for all tests, as if
// it were the minute in which they began.
func shared(t testing.TB) *filler {
	t.Helper()
	sharedFiller.Lock()
	defer sharedFiller.Unlock()
	if sharedFiller.filler == nil {
		sharedFiller.filler = newFiller(t, newUnit(t, newDatabase(t)), 2, began)
	}
	own := *sharedFiller.filler
	return &own
}

// parcel is how many copies go into the database at once.
const parcel = 100

// spread is over how many days before now finished episodes are spread.
const spread = 300

// fill adds copies: finished ones on the days before now, open ones that are as far now as
// their templates were. Every so many finished ones have their audit trail.
func (f *filler) fill(t testing.TB, url string, finished, open, trailEvery int) {
	t.Helper()
	defer setAside(t, url)()
	var g errgroup.Group
	g.SetLimit(2)
	today := f.now.Truncate(24 * time.Hour)
	for from := 0; from < finished+open; from += parcel {
		first := f.next
		f.next += min(parcel, finished+open-from)
		until := f.next
		g.Go(func() error {
			var all []pending
			for n := first; n < until; n++ {
				i := from + n - first
				c := copyOf{space: spaceOf(n), number: fmt.Sprint(100_000_000 + n), unit: fmt.Sprintf("unit-%03d", n%units)}
				if i < finished {
					k := n % len(f.finished)
					c.shift = today.AddDate(0, 0, -2-i*spread/max(finished, 1)).Sub(f.ended[k])
					all = append(all, pending{f.finished[k], c, trailEvery > 0 && n%trailEvery == 0, false})
				} else {
					k := n % len(f.open)
					c.shift = f.now.Sub(f.begun[k]).Truncate(24 * time.Hour)
					all = append(all, pending{f.open[k], c, false, true})
				}
			}
			return f.put(url, all)
		})
	}
	require.NoError(t, g.Wait())
}

// setAside drops all indexes of the tables that are filled and gives what builds them again: it
// is several times faster than to keep them up to date.
func setAside(t testing.TB, url string) (build func()) {
	t.Helper()
	const find = `SELECT coalesce('ALTER TABLE ' || i.indrelid::regclass || ' ADD CONSTRAINT ' || c.relname || ' ' || pg_get_constraintdef(k.oid),
    pg_get_indexdef(i.indexrelid)),
  coalesce('ALTER TABLE ' || i.indrelid::regclass || ' DROP CONSTRAINT ' || k.conname, 'DROP INDEX ' || c.relname)
FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid LEFT JOIN pg_constraint k ON k.conindid = i.indexrelid
WHERE i.indrelid = ANY ($1::regclass[]) ORDER BY 1`
	conn := connect(t, url)
	rows, err := conn.Query(t.Context(), find, tables)
	require.NoError(t, err)
	var builds, drops []string
	var create, drop string
	_, err = pgx.ForEachRow(rows, []any{&create, &drop}, func() error {
		builds, drops = append(builds, create), append(drops, drop)
		return nil
	})
	require.NoError(t, err)
	for _, sql := range drops {
		run(t, url, sql)
	}
	return func() {
		var g errgroup.Group
		g.SetLimit(2)
		for _, sql := range builds {
			g.Go(func() error {
				own, err := pgx.Connect(context.Background(), url+"&maintenance_work_mem=400MB")
				if err != nil {
					return err
				}
				_, err = own.Exec(context.Background(), sql)
				return errors.Join(err, own.Close(context.Background()))
			})
		}
		require.NoError(t, g.Wait())
		run(t, url, `VACUUM (ANALYZE)`)
	}
}

// pending is a copy to be made.
type pending struct {
	of    []copied
	copy  copyOf
	trail bool
	open  bool
}

func spaceOf(n int) (id uuid.UUID) {
	binary.BigEndian.PutUint64(id[8:], uint64(n))
	return id
}

// put makes copies, table by table.
func (f *filler) put(url string, all []pending) error {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)                                                     //nolint:errcheck // its work is done or its error told
	if _, err := conn.Exec(ctx, `SET synchronous_commit = off`); err != nil { // invented rows
		return err
	}
	for i, tab := range all[0].of {
		var rows [][]any
		for _, p := range all {
			if tab.name == "outbox" && !p.open { // purged after days
				continue
			}
			for n, r := range p.of[i].rows {
				if p.of[i].trail[n] && !p.trail {
					continue
				}
				row := make([]any, len(r))
				for c := range r {
					row[c] = p.copy.of(&r[c])
				}
				rows = append(rows, row)
			}
		}
		if _, err := conn.CopyFrom(ctx, pgx.Identifier{tab.name}, tab.columns, pgx.CopyFromRows(rows)); err != nil {
			return fmt.Errorf("copy into %s: %w", tab.name, err)
		}
	}
	return nil
}
