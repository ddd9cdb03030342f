package episode

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// ledger is a store that keeps commits in memory, or refuses them.
type ledger struct {
	store.Store
	away bool
	kept []store.Resource
	size []int
}

func (l *ledger) Commit(_ context.Context, changes []store.Changeset) ([]store.Result, error) {
	if l.away {
		return nil, outcome.Fail(outcome.CodeNoStore, "commit", "away")
	}
	l.kept = append(l.kept, changes[0].Resources...)
	l.size = append(l.size, len(changes[0].Resources))
	return []store.Result{{Status: store.Committed}}, nil
}

func auditorOn(l *ledger) *Auditor {
	return NewAuditor(AuditorOptions{Store: l, Outgoing: sharedOutgoing(), Clock: time.Now, Log: slog.New(slog.DiscardHandler), Server: endpoint})
}

func search1(trace string) fhir.Access {
	return fhir.Access{Interaction: "search-type", Type: "Task", Query: "Task?status", Client: "c", Trace: trace, Outcome: fhir.AccessSuccess}
}

// What is read is recorded within a second, in batches, and what is left at the end.
func TestNotesAreStoredWithinASecond(t *testing.T) {
	sharedOutgoing() // made outside of the bubble
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{}
		a := auditorOn(l)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); a.Run(ctx) }()
		a.Note(search1("r-1"))
		time.Sleep(time.Second)
		synctest.Wait()
		require.Len(t, l.kept, 1)
		require.Equal(t, "AuditEvent", l.kept[0].Type)
		for range 450 {
			a.Note(search1("r-2"))
		}
		time.Sleep(time.Second)
		synctest.Wait()
		require.Len(t, l.kept, 451)
		require.Contains(t, l.size, auditBatch)
		a.Note(search1("r-3"))
		stop()
		<-ended
		require.Len(t, l.kept, 452, "the last one is stored at the end")
	})
}

// While the store is away nothing is lost, until there is no room; then nothing more may
// be read.
func TestNotesWaitForTheStore(t *testing.T) {
	t.Parallel()
	l := &ledger{away: true}
	a := auditorOn(l)
	for range auditRoom - 1 {
		a.Note(search1("r"))
	}
	a.Flush(t.Context())
	require.Empty(t, l.kept)
	require.NoError(t, a.Room())
	a.Note(search1("r"))
	require.Equal(t, outcome.CodeTransient, outcome.KindOf(a.Room()))
	l.away = false
	a.Flush(t.Context())
	require.Len(t, l.kept, auditRoom)
	require.NoError(t, a.Room())
}

// Refusals of one kind are one record, however many there are.
func TestRefusalsAreCounted(t *testing.T) {
	t.Parallel()
	l := &ledger{}
	a := auditorOn(l)
	refused := fhir.Access{Interaction: "read", Type: "Task", Outcome: fhir.AccessRefused, Why: "login", Alert: true, Address: "192.0.2.1"}
	for range 10_000 {
		a.Note(refused)
	}
	refused.Why = "expired"
	a.Note(refused)
	a.Flush(t.Context())
	require.Len(t, l.kept, 2)
	body := string(l.kept[0].Body) + string(l.kept[1].Body)
	require.Contains(t, body, `"detail":[{"type":"count","valueString":"10000"}]`)
	a.Flush(t.Context())
	require.Len(t, l.kept, 2, "counted once")
}

// A record that can't be made stops the change that it is of.
func TestNoRecordNoChange(t *testing.T) {
	b := newBench(t, nil)
	b.Auditor = NewAuditor(AuditorOptions{Store: b.Store, Outgoing: nothing{}, Clock: b.Clock, Log: b.Log})
	_, err := b.send(newEvent())
	require.Equal(t, outcome.CodeException, outcome.KindOf(err))
	for _, resourceType := range []string{"Procedure", "CarePlan", "AuditEvent"} {
		page, err := b.Store.Search(t.Context(), search.Query{Type: resourceType, Count: 1})
		require.NoError(t, err)
		require.Zero(t, page.Total, resourceType)
	}
}

// nothing is a validator to whom nothing is right.
type nothing struct{}

func (nothing) Resource([]byte) []outcome.Issue {
	return []outcome.Issue{outcome.Errorf(outcome.CodeInvalid, "AuditEvent", "no")}
}

func (n nothing) Lend(body []byte, _ func(*tree.Node)) []outcome.Issue { return n.Resource(body) }
