package scale

import (
	"context"
	"flag"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// replica is the part of a process that handles inputs: with connections of its
// own, and the database's clock.
type replica struct {
	store.Store
	service *episode.Service
	timers  *episode.Timers
	watch   func(e store.EpisodeChange) // is told of each due time that was stored
	tried   func(c store.Changeset)     // is told of what is to be stored

	under, most atomic.Int64 // commits under way, and the most there were
	claimed     atomic.Int64 // how often an episode was claimed
}

func newReplica(t testing.TB, url string) *replica {
	t.Helper()
	return newReplicaOn(t, openStore(t, url))
}

func newReplicaOn(t testing.TB, st store.Store) *replica {
	t.Helper()
	r := &replica{Store: st}
	shared, err := episode.NewSharedClock(t.Context(), r.Store)
	require.NoError(t, err)
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	release, err := episode.NewRelease(protocols, nil, true)
	require.NoError(t, err)
	r.service, err = episode.New(t.Context(), episode.Options{
		Store: r, Incoming: incoming(), Outgoing: outgoing(), Clock: shared.Now, Log: slog.New(slog.DiscardHandler),
		Release: release, Endpoint: "https://fhirsvc.example/fhir", Software: "played",
	})
	require.NoError(t, err)
	r.timers = episode.NewTimers(r.service, shared)
	return r
}

// ClaimDue counts what is claimed.
func (r *replica) ClaimDue(ctx context.Context, c store.Claim) ([]store.Due, error) {
	due, err := r.Store.ClaimDue(ctx, c)
	r.claimed.Add(int64(len(due)))
	return due, err
}

// Commit tells watch of what was stored.
func (r *replica) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	n := r.under.Add(1)
	defer r.under.Add(-1)
	for most := r.most.Load(); n > most && !r.most.CompareAndSwap(most, n); most = r.most.Load() {
	}
	for _, c := range changes {
		if r.tried != nil {
			r.tried(c)
		}
	}
	results, err := r.Store.Commit(ctx, changes)
	for i := range results {
		if results[i].Status == store.Committed && r.watch != nil && len(changes[i].Episodes) > 0 {
			r.watch(changes[i].Episodes[0])
		}
	}
	return results, err
}

// ward is a database with open episodes that are due when the test says so.
type ward struct {
	testing.TB
	url  string
	conn *pgx.Conn
}

// opened gives a database with n open episodes, none of them due, whose plans are as far as was
// right when the tests began.
func opened(t *testing.T, n int) *ward {
	t.Helper()
	f := shared(t)
	w := &ward{TB: t, url: newDatabase(t)}
	f.fill(t, w.url, 0, n, 0)
	w.conn = connect(t, w.url)
	w.exec(`UPDATE episode SET due = NULL`)
	return w
}

func (w *ward) exec(sql string, args ...any) {
	w.Helper()
	_, err := w.conn.Exec(w.Context(), sql, args...)
	require.NoError(w, err)
}

// steps gives how many steps each episode has made since it was copied.
func (w *ward) steps() map[string]int64 {
	w.Helper()
	rows, err := w.conn.Query(w.Context(), `SELECT id, version FROM episode`)
	require.NoError(w, err)
	versions := map[string]int64{}
	var id string
	var version int64
	_, err = pgx.ForEachRow(rows, []any{&id, &version}, func() error { versions[id] = version; return nil })
	require.NoError(w, err)
	return versions
}

// run lets replicas work until nothing is due, and for a while after that, in which nothing
// more may happen.
func (w *ward) run(replicas ...*replica) {
	w.Helper()
	ctx, cancel := context.WithCancel(w.Context())
	var all sync.WaitGroup
	for _, r := range replicas {
		all.Go(func() { r.timers.Run(ctx) })
	}
	require.Eventually(w, func() bool {
		var due int
		require.NoError(w, w.conn.QueryRow(w.Context(), `SELECT count(*) FROM episode WHERE due <= clock_timestamp()`).Scan(&due))
		return due == 0
	}, 2*time.Minute, 20*time.Millisecond)
	time.Sleep(time.Second)
	cancel()
	all.Wait()
}

// After an outage of hours every episode that fell due is told once, the oldest first, by few
// at a time; however often the same one is claimed, because its lease is far too short.
func TestAfterAnOutage(t *testing.T) {
	t.Parallel()
	for name, outage := range map[string]struct {
		lease time.Duration
		n     int
	}{
		"leases hold":      {time.Minute, 120}, // more than are in hand at once, so that their order shows
		"leases are short": {30 * time.Millisecond, 60},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := outage.n
			w := opened(t, n)
			w.exec(`UPDATE episode e SET due = clock_timestamp() - interval '6 hours' + interval '1 minute' * o.n
FROM (SELECT id, row_number() OVER (ORDER BY md5(id)) AS n FROM episode) o WHERE o.id = e.id`)
			before := w.steps()
			var order []string
			rows, err := w.conn.Query(t.Context(), `SELECT id FROM episode ORDER BY due`)
			require.NoError(t, err)
			order, err = pgx.CollectRows(rows, pgx.RowTo[string])
			require.NoError(t, err)

			var mu sync.Mutex
			var told []string
			replicas := []*replica{newReplica(t, w.url), newReplica(t, w.url), newReplica(t, w.url)}
			for _, r := range replicas {
				r.timers.Lease = outage.lease
				r.watch = func(e store.EpisodeChange) {
					mu.Lock()
					defer mu.Unlock()
					told = append(told, e.ID)
				}
			}
			w.run(replicas...)

			require.Len(t, told, n)
			for id, version := range w.steps() {
				require.Equal(t, before[id]+1, version, "told once")
			}
			place := map[string]int{}
			for i, id := range order {
				place[id] = i
			}
			const inHand = 3 * 32 // what three replicas claim at once
			for i, id := range told {
				require.Less(t, max(i-place[id], place[id]-i), inHand, "the oldest first, as far as several do it at once")
			}
			var claimed int64
			for _, r := range replicas {
				require.LessOrEqual(t, r.most.Load(), int64(8), "few at a time")
				claimed += r.claimed.Load()
			}
			if outage.lease < time.Second {
				require.Greater(t, claimed, int64(n), "some were claimed again while they were in hand")
			}
		})
	}
}

// A replica that dies with what it has claimed is replaced within its lease and a second.
func TestAReplicaDiesWithItsClaims(t *testing.T) {
	t.Parallel()
	const n = 12
	w := opened(t, n)
	w.exec(`UPDATE episode SET due = clock_timestamp()`)
	before := w.steps()
	dead, living := newReplica(t, w.url), newReplica(t, w.url)
	claimed, err := dead.ClaimDue(t.Context(), store.Claim{Rules: workflow.RulesVersion, Limit: n, Lease: living.timers.Lease})
	require.NoError(t, err)
	require.Len(t, claimed, n)
	began := time.Now()
	var last atomic.Int64
	living.watch = func(store.EpisodeChange) { last.Store(int64(time.Since(began))) }
	w.run(living)
	for id, version := range w.steps() {
		require.Equal(t, before[id]+1, version)
	}
	require.Greater(t, time.Duration(last.Load()), living.timers.Lease, "the lease was kept")
	t.Logf("all done %s after a claim of %s", time.Duration(last.Load()).Round(time.Millisecond), living.timers.Lease)
}

var (
	armed  = flag.Int("scale.armed", 2000, "how many due times TestArmed has in the database")
	firing = flag.Int("scale.firing", 60, "how many of them fall due a second")
	spell  = flag.Int("scale.seconds", 5, "for how many seconds")
)

// TestArmed says how late due times are told while many more are armed. How long it takes is
// for a machine of one's own to judge; what is held here is that each is told once and none
// early.
func TestArmed(t *testing.T) {
	t.Parallel()
	n := *firing * *spell
	w := opened(t, n)
	w.exec(`INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
SELECT 'armed-' || n, 'unit', 'nobody', 1, '{}', 1, '', '', clock_timestamp() + interval '1 day' + interval '1 second' * n
FROM generate_series(1, $1::integer) n`, max(*armed-n, 0))
	w.exec(`VACUUM ANALYZE episode`)
	w.exec(`UPDATE episode e SET due = clock_timestamp() + interval '2 seconds' + interval '1 second' * o.n / $1::float
FROM (SELECT id, row_number() OVER (ORDER BY md5(id)) AS n FROM episode WHERE due IS NULL) o WHERE o.id = e.id`, *firing)
	rows, err := w.conn.Query(t.Context(), `SELECT id, due FROM episode WHERE due < clock_timestamp() + interval '1 hour'`)
	require.NoError(t, err)
	dues := map[string]time.Time{}
	var id string
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &at}, func() error { dues[id] = at; return nil })
	require.NoError(t, err)
	require.Len(t, dues, n)

	before := w.steps()
	var mu sync.Mutex
	late := map[string]time.Duration{}
	replicas := []*replica{newReplica(t, w.url), newReplica(t, w.url), newReplica(t, w.url)}
	for _, r := range replicas {
		r.watch = func(e store.EpisodeChange) {
			mu.Lock()
			defer mu.Unlock()
			if _, again := late[e.ID]; !again { // the plan may have a next time
				late[e.ID] = time.Since(dues[e.ID])
			}
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(*spell+60)*time.Second)
	defer cancel()
	var all sync.WaitGroup
	for _, r := range replicas {
		all.Go(func() { r.timers.Run(ctx) })
	}
	require.Eventually(t, func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(late) == n
	}, time.Duration(*spell+50)*time.Second, 50*time.Millisecond, "all are told")
	time.Sleep(time.Second) // in which nothing more may happen
	cancel()
	all.Wait()
	require.Len(t, late, n, "all were told")
	for id, version := range w.steps() {
		if _, was := dues[id]; was {
			require.Greater(t, version, before[id])
		} else {
			require.Equal(t, before[id], version, "nobody's time has come")
		}
	}
	var sorted []time.Duration
	for _, d := range late {
		sorted = append(sorted, d)
	}
	slices.Sort(sorted)
	share := func(share float64) string {
		return sorted[min(int(share*float64(n)), n-1)].Round(time.Millisecond).String()
	}
	require.GreaterOrEqual(t, sorted[0], time.Duration(0), "none early")
	t.Logf("%d armed, %d/s due, three replicas: late by p50 %s, p99 %s, most %s", *armed, *firing, share(0.5), share(0.99), share(1))
}
