package episode

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// failing breaks the rendering of what is due at a bleed, as a bug of ours would.
func (b *bench) failing(how func()) (mend func()) {
	sound := b.render
	b.render = func(e workflow.Effect, c fhir.Context, v fhir.Version) ([]byte, error) {
		if p, ok := e.(workflow.PutTask); ok && p.Task.Key.Code == workflow.RestoreCompression {
			how()
			return []byte(`{"resourceType":"Task"}`), nil // not valid
		}
		return sound(e, c, v)
	}
	return func() { b.render = sound }
}

// A fault of ours never loses a charted bleed: the entry is kept, and somebody is asked.
func TestFaultOfOursIsKeptAside(t *testing.T) {
	for name, how := range map[string]func(){
		"not valid": func() {},
		"a panic":   func() { panic("a state that can't be") },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, nil)
			b.mustSend(newEvent())
			version := b.loaded(b.theEpisode()).version
			mend := b.failing(how)
			_, err := b.observe(finding{code: "access-site-bleeding", value: bleeding()})
			require.Equal(t, outcome.CodeException, outcome.KindOf(err))
			require.NotContains(t, issuesOf(err), "panic", "a caller learns nothing of our inside")
			require.Equal(t, version, b.loaded(b.theEpisode()).version)

			kept, err := b.Store.Quarantined(t.Context())
			require.NoError(t, err)
			require.Len(t, kept, 1)
			require.Equal(t, b.theEpisode(), kept[0].Episode)
			require.NotEmpty(t, kept[0].Fault)
			require.Contains(t, string(kept[0].Body), `"Observation"`)
			reviews := b.tasks("clinician-review", "ready")
			require.Len(t, reviews, 1)
			require.Equal(t, "stat", readTask(t, reviews[0]).Priority)
			require.Equal(t, b.theEpisode(), reviews[0].Episode)
			require.False(t, outcome.HasErrors(sharedOutgoing().Resource(reviews[0].Body)), "what is prebuilt is valid")

			// The review can be answered, although the core knows nothing of it.
			done := changed(t, reviews[0], `"status":"ready"`, `"status":"completed"`)
			r, err := b.put(reviews[0], done, "")
			require.NoError(t, err, issuesOf(err))
			require.Equal(t, "completed", readTask(t, r.Resource).Status)

			mend()
			b.mustObserve("access-site-bleeding", bleeding())
			require.NotEmpty(t, b.tasks("restore-compression", "ready"))
			b.mustReplay(b.theEpisode())
		})
	}
}

func TestFaultOnAMessageIsKeptOnce(t *testing.T) {
	b := newBench(t, nil)
	sound := b.render
	b.render = func(workflow.Effect, fhir.Context, fhir.Version) ([]byte, error) {
		return nil, errors.New("a fault of ours")
	}
	for range 3 { // it comes again until it is given up or we are mended
		_, err := b.send(newEvent())
		require.Equal(t, outcome.CodeException, outcome.KindOf(err))
	}
	kept, err := b.Store.Quarantined(t.Context())
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.Equal(t, newEvent().body(), kept[0].Body)
	reviews := b.tasks("clinician-review", "ready")
	require.Len(t, reviews, 1)
	require.Empty(t, b.all("Procedure"))
	require.Len(t, b.all("Patient"), 1, "the Task is about somebody who is there")
	require.Contains(t, string(reviews[0].Body), `"for":{"reference":"Patient/`+b.all("Patient")[0].ID+`"}`)
	b.render = sound
	b.mustSend(newEvent())
	require.Len(t, b.all("CarePlan"), 1)
	require.EqualValues(t, 1, b.all("Patient")[0].Version)
}

func TestFaultOnElapsedTime(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	at, ok, err := b.Store.NextDue(t.Context())
	require.NoError(t, err)
	require.True(t, ok)
	b.set(at)
	sound := b.step
	b.step = func(workflow.Episode, workflow.Input) (workflow.Episode, []workflow.Effect, error) { panic("broken") }
	for range 2 {
		require.Equal(t, outcome.CodeException, outcome.KindOf(b.Elapse(t.Context(), b.theEpisode(), at)))
	}
	kept, err := b.Store.Quarantined(t.Context())
	require.NoError(t, err)
	require.Len(t, kept, 1)
	b.step = sound
	require.NoError(t, b.Elapse(t.Context(), b.theEpisode(), at), "nothing is lost: it is still due")
}

// forgetful commits and then says that it doesn't know.
type forgetful struct {
	store.Store
	left atomic.Int32
}

func (f *forgetful) Commit(ctx context.Context, c []store.Changeset) ([]store.Result, error) {
	r, err := f.Store.Commit(ctx, c)
	if err == nil && c[0].Inbox != nil && f.left.Add(-1) >= 0 {
		return nil, outcome.Fail(outcome.CodeNoStore, "commit", "the connection was lost")
	}
	return r, err
}

func TestUnknownOutcomeCountsOnce(t *testing.T) {
	f := &forgetful{}
	b := newBench(t, func(st store.Store) store.Store { f.Store = st; return f })
	f.left.Store(1)
	answer, err := b.send(newEvent())
	require.NoError(t, err)
	require.Contains(t, string(answer.Response), `"code":"ok"`)
	require.EqualValues(t, 1, b.loaded(b.theEpisode()).version)

	f.left.Store(1)
	r := b.mustObserve("band-air-removed", millilitres("3"))
	require.True(t, r.Created)
	stored, err := b.Store.Read(t.Context(), "Observation", r.Resource.ID)
	require.NoError(t, err)
	require.Equal(t, stored, r.Resource)
	require.Equal(t, "9", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
	b.mustReplay(b.theEpisode())
}

// away refuses every commit.
type away struct {
	store.Store
	gone atomic.Bool
}

func (a *away) Commit(ctx context.Context, c []store.Changeset) ([]store.Result, error) {
	if a.gone.Load() {
		return nil, outcome.Fail(outcome.CodeNoStore, "commit", "the database is away")
	}
	return a.Store.Commit(ctx, c)
}

func TestStoreAwayIsNoFaultOfTheInput(t *testing.T) {
	a := &away{}
	b := newBench(t, func(st store.Store) store.Store { a.Store = st; return a })
	a.gone.Store(true)
	_, err := b.send(newEvent())
	require.Equal(t, outcome.CodeNoStore, outcome.KindOf(err))
	_, err = b.observe(finding{code: "access-site-bleeding", value: dry()})
	require.Equal(t, outcome.CodeNoStore, outcome.KindOf(err))
	a.gone.Store(false)
	kept, err := b.Store.Quarantined(t.Context())
	require.NoError(t, err)
	require.Empty(t, kept)
	b.mustSend(newEvent())
}

// contended lets somebody else win some races.
type contended struct {
	store.Store
	left atomic.Int32
}

func (c *contended) Commit(ctx context.Context, cs []store.Changeset) ([]store.Result, error) {
	if len(cs[0].Episodes) > 0 && c.left.Add(-1) >= 0 {
		return []store.Result{{Status: store.Conflict}}, nil
	}
	return c.Store.Commit(ctx, cs)
}

func TestConflictIsTriedAgain(t *testing.T) {
	c := &contended{}
	b := newBench(t, func(st store.Store) store.Store { c.Store = st; return c })
	c.left.Store(3)
	b.mustSend(newEvent())
	c.left.Store(1000)
	_, err := b.observe(finding{code: "access-site-bleeding", value: dry()})
	require.Equal(t, outcome.CodeLockError, outcome.KindOf(err))
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
	defer cancel()
	_, err = b.Chart(ctx, nurse(), []Entry{{Method: "POST", Type: "Observation", Body: finding{code: "access-site-bleeding", value: dry(), at: b.Now()}.body()}})
	require.Error(t, err)
	require.Len(t, b.all("Observation"), 1)
}

func TestProtocolsRefused(t *testing.T) {
	b := newBench(t, nil)
	var bodies [][]byte
	for _, p := range b.Release.protocols {
		bodies = append(bodies, p.body)
	}
	_, err := NewRelease(bodies, nil, false)
	require.ErrorContains(t, err, "draft")
	require.Equal(t, len(bodies), strings.Count(err.Error(), "draft"), "each is named")

	_, err = NewRelease([][]byte{bodies[0], []byte(`{"resourceType":"PlanDefinition"}`)}, nil, true)
	require.ErrorContains(t, err, "protocol 2:")

	o := b.Options
	o.Release, err = NewRelease([][]byte{append(slices.Clone(bodies[0]), '\n')}, nil, true)
	require.NoError(t, err)
	_, err = New(t.Context(), o)
	require.ErrorContains(t, err, string(outcome.CodeDuplicate), "other bytes under the same version")
}

// newer is a store that a newer version of the service has written to.
type newer struct{ store.Store }

func (n newer) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	found, err := n.Store.Gather(ctx, w)
	for i := range found.Episodes {
		found.Episodes[i].RulesVersion++
	}
	return found, err
}

func TestNewerRulesAreLeftAlone(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.Store = newer{b.Store}
	_, err := b.observe(finding{code: "access-site-bleeding", value: dry()})
	require.Equal(t, outcome.CodeTransient, outcome.KindOf(err), "another replica may do it")
	require.Len(t, b.all("Observation"), 1)
}
