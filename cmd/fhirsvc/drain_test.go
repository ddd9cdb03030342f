package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// traffic is senders and nurses at work, until they are told to stop. It keeps what they
// were told is stored.
type traffic struct {
	stop    context.CancelFunc
	workers sync.WaitGroup

	mu     sync.Mutex
	events []bedside.Case // acknowledged by the broker
	charts []string       // identifiers whose Observation was answered with 201
	odd    []string       // answers that a service that stops well does not give
	late   atomic.Int64   // answers while it was said not to be ready
}

// startTraffic charts on the plans that are there and sends events of new ones.
func startTraffic(t *testing.T, w *ward, plans []ward, first int, unready *atomic.Bool) *traffic {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	k := &traffic{stop: cancel}
	k.workers.Go(func() {
		for n := first; ctx.Err() == nil && n < first+60; n++ { // more would only take longer to read
			wait(ctx, 40*time.Millisecond)
			c := bedside.NewCase(n, "diagnostic", time.Now().Add(-time.Minute))
			if err := w.client.Send(t.Context(), c.Event()); err == nil { // one that is cut off may be stored
				k.mu.Lock()
				k.events = append(k.events, c)
				k.mu.Unlock()
			}
		}
	})
	for i := range plans {
		k.workers.Go(func() {
			for n := 0; ctx.Err() == nil; n++ {
				k.chart(ctx, &plans[i], fmt.Sprintf("%d/%d", i, n), unready)
			}
		})
	}
	return k
}

func (k *traffic) chart(ctx context.Context, w *ward, id string, unready *atomic.Bool) {
	f := bedside.Finding{
		Code: "hand-check", Answer: "normal", At: time.Now(), By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure, Side: "right", ID: id,
	}
	said := unready.Load()
	a, err := w.client.Do(ctx, http.MethodPost, "/fhir/Observation", f.Observation(), nil)
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case err != nil: // not answered: a screen sends it again
	case a.Status == http.StatusCreated:
		k.charts = append(k.charts, id)
		if said {
			k.late.Add(1)
		}
	default:
		k.odd = append(k.odd, fmt.Sprintf("%s: %d %s", id, a.Status, a.Body))
	}
}

// A replica is asked to end under load. It says first that it is not ready and goes on to
// answer; what was answered is stored, what was begun is finished, nothing stays leased or
// unacknowledged, and it ends within its time. The next one has all of it.
func TestStopUnderLoad(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	w := s.serve(t, "FHIRSVC_SHUTDOWN_TIMEOUT=8s")
	const nurses = 4
	var plans []ward
	for n := range nurses {
		c := bedside.NewCase(500+n, "diagnostic", time.Now().Add(-time.Minute))
		require.Equal(t, http.StatusOK, w.processMessage(c.Event()).Status)
		w.find(c)
		plans = append(plans, *w)
	}
	var unready atomic.Bool
	k := startTraffic(t, w, plans, 600, &unready)
	require.Eventually(t, func() bool { k.mu.Lock(); defer k.mu.Unlock(); return len(k.charts) > 20 && len(k.events) > 20 }, eventually, tick)

	begun := time.Now()
	require.NoError(t, w.process.cmd.Process.Signal(syscall.SIGTERM))
	require.Eventually(t, func() bool {
		a, err := w.client.Do(t.Context(), http.MethodGet, "/readyz", nil, nil)
		return err == nil && a.Status == http.StatusServiceUnavailable
	}, 2*time.Second, time.Millisecond, "it says that it is not ready")
	unready.Store(true)
	<-w.process.ended
	took := time.Since(begun)
	k.stop()
	k.workers.Wait()
	require.NoError(t, w.process.err, w.process.stderr)
	require.Less(t, took, 10*time.Second, "its limit was 8 s")
	require.Positive(t, k.late.Load(), "whoever had not noticed yet was answered")
	require.Empty(t, k.odd)
	require.NotContains(t, w.process.stderr.String(), `"level":"ERROR"`)
	wantNothingHeld(t, s, w)

	next := s.serve(t)
	for _, id := range k.charts {
		found, err := next.client.Search(t.Context(), "Observation?identifier=https://screen.hospital.example/entry|"+id)
		require.NoError(t, err)
		require.Len(t, found, 1, id)
	}
	require.Eventually(t, func() bool { return len(next.ids("CarePlan")) == nurses+len(k.events) }, eventually, tick, "each event once")
	t.Logf("%d charts, %d of them after it was said; %d events; ended in %v", len(k.charts), k.late.Load(), len(k.events), took.Round(time.Millisecond))
	next.wantSound(nurses + len(k.events))
}

// wantNothingHeld looks at what would make the next replica wait.
func wantNothingHeld(t *testing.T, s site, w *ward) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the test is over for it
	var partitions, episodes, queues int
	const held = `SELECT (SELECT count(*) FROM outbox_lease WHERE leased_until > now()),
  (SELECT count(*) FROM episode WHERE leased_until > now()), (SELECT count(*) FROM subscription WHERE leased_until > now())`
	require.NoError(t, conn.QueryRow(t.Context(), held).Scan(&partitions, &episodes, &queues))
	require.Zero(t, partitions+episodes+queues, "leases: %d partitions, %d due times, %d queues", partitions, episodes, queues)
	c, err := w.client.JetStream().Consumer(t.Context(), "PROCEDURE_EVENTS", "fhirsvc-procedure")
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		info, err := c.Info(t.Context())
		return err == nil && info.NumAckPending == 0
	}, 5*time.Second, tick, "events that nobody works on are not given out before their time")
}

// A client that sends its request slowly does not use up the time of all others.
func TestStopWithASlowClient(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	w := s.serve(t, "FHIRSVC_SHUTDOWN_TIMEOUT=4s")
	slow, err := net.Dial("tcp", w.process.http[len("http://"):])
	require.NoError(t, err)
	defer slow.Close() //nolint:errcheck // the test is over for it
	_, err = fmt.Fprintf(slow, "POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 1000\r\n\r\n{")
	require.NoError(t, err)
	begun := time.Now()
	require.NoError(t, w.process.cmd.Process.Signal(syscall.SIGTERM))
	select {
	case <-w.process.ended:
	case <-time.After(20 * time.Second):
		t.Fatal("does not stop")
	}
	require.Less(t, time.Since(begun), 6*time.Second, "its limit was 4 s")
	require.NoError(t, w.process.err, w.process.stderr)
	require.Contains(t, w.process.stderr.String(), "requests cut off")
	require.Contains(t, w.process.stderr.String(), "stopped")
}
