package episode

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// asked remembers what was asked of the store, and what was committed.
type asked struct {
	store.Store
	mu      sync.Mutex
	calls   []string
	changes []store.Changeset

	deaf     bool   // nothing can be read at once
	gathered func() // runs after something was
}

func (a *asked) note(call string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.calls = append(a.calls, call)
}

func (a *asked) Read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	a.note("read " + resourceType)
	return a.Store.Read(ctx, resourceType, id)
}

func (a *asked) Identity(ctx context.Context, resourceType, system, value string) (string, bool, error) {
	a.note("identity of " + resourceType)
	return a.Store.Identity(ctx, resourceType, system, value)
}

func (a *asked) Search(ctx context.Context, q search.Query) (store.Page, error) {
	a.note("search " + q.Type)
	return a.Store.Search(ctx, q)
}

func (a *asked) Load(ctx context.Context, id string) (store.Episode, error) {
	a.note("load")
	return a.Store.Load(ctx, id)
}

func (a *asked) EpisodesOf(ctx context.Context, subject string) ([]string, error) {
	a.note("episodes")
	return a.Store.EpisodesOf(ctx, subject)
}

func (a *asked) Answer(ctx context.Context, source, id string) (store.Inbox, bool, error) {
	a.note("answer")
	return a.Store.Answer(ctx, source, id)
}

func (a *asked) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	a.note("gather")
	if a.deaf {
		return store.Gathered{}, outcome.Fail(outcome.CodeException, "gather", "a state can't be read")
	}
	found, err := a.Store.Gather(ctx, w)
	if a.gathered != nil {
		a.gathered()
	}
	return found, err
}

func (a *asked) Tagged(ctx context.Context, patient string, t store.Tag) (bool, error) {
	a.note("tagged")
	return a.Store.Tagged(ctx, patient, t)
}

func (a *asked) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	a.note("commit")
	a.mu.Lock()
	a.changes = append(a.changes, changes...)
	a.mu.Unlock()
	return a.Store.Commit(ctx, changes)
}

// accompanied is the event with its Encounter and a Practitioner.
func (e event) accompanied() []byte {
	e.beside = []string{
		`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000005","resource":{"resourceType":"Encounter","identifier":[{"system":"urn:visits","value":"v-1"}],"status":"in-progress",
"class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"}}}`,
		`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000006","resource":{"resourceType":"Practitioner","identifier":[{"system":"urn:staff","value":"s-1"}]}}`,
	}
	return []byte(strings.Replace(string(e.body()), `"bodySite":`,
		`"encounter":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000005"},"bodySite":`, 1))
}

// TestEventOfANewPatientIsOneCommit: what is shared and the plan come together or not at all.
// Each shared resource has its own Provenance, which outlives the episode.
func TestEventOfANewPatientIsOneCommit(t *testing.T) {
	var a *asked
	b := newBench(t, func(st store.Store) store.Store { a = &asked{Store: st}; return a })
	b.Auditor = NewAuditor(AuditorOptions{Store: a.Store, Outgoing: b.Outgoing, Clock: b.Clock, Log: b.Log})
	a.calls, a.changes = nil, nil
	e := newEvent()
	b.sendBody(e.accompanied())
	require.Equal(t, []string{"gather", "commit", "tagged"}, a.calls)
	require.Len(t, a.changes, 1)
	c := a.changes[0]
	require.NotNil(t, c.Inbox)
	require.Len(t, c.Identities, 3)
	told, records := map[string]store.Resource{}, 0
	for _, r := range c.Resources {
		doc, _ := tree.Parse(r.Body)
		switch r.Type {
		case "AuditEvent":
			records++
			for _, kind := range []string{"Patient", "Encounter", "Practitioner", "Procedure"} {
				require.Contains(t, string(r.Body), kind+"/"+b.all(kind)[0].ID+"/_history/1", "the record names what was written")
			}
		case "Provenance":
			for target := range doc.Root.Get("target").Items() {
				told[target.Str("reference")] = r
			}
		}
	}
	require.Equal(t, 1, records)
	for _, kind := range []string{"Patient", "Encounter", "Practitioner"} {
		r := b.all(kind)[0]
		p := told[versioned(r)]
		require.Equal(t, b.ids.provenance(kind, r.ID, 1), p.ID)
		require.Empty(t, p.Episode, kind)
		require.Equal(t, e.timestamp, fhir.Occurred(p.Body).UTC())
	}
	require.Equal(t, b.theEpisode(), told[versioned(b.all("Procedure")[0])].Episode)
}

// TestPatientOfEventsAtOnce: R4 has one record for a business identifier, whoever tells it first.
func TestPatientOfEventsAtOnce(t *testing.T) {
	b := newBench(t, nil)
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			e := newEvent()
			e.message, e.procedure = fmt.Sprintf("m%d", i), fmt.Sprintf("P-%d", i)
			_, errs[i] = b.Message(t.Context(), Message{Body: e.accompanied(), ContentType: fhir.ContentType, Door: DoorJetStream})
		})
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err, issuesOf(err))
	}
	require.Len(t, b.all("CarePlan"), len(errs))
	for _, kind := range []string{"Patient", "Encounter", "Practitioner"} {
		require.Len(t, b.all(kind), 1)
		require.EqualValues(t, 1, b.all(kind)[0].Version, "nobody told anything newer")
	}
	for _, plan := range b.all("CarePlan") {
		require.Contains(t, string(plan.Body), `"reference":"Patient/`+b.all("Patient")[0].ID+`"`)
	}
}

// purging says of every episode that is wanted and not there that it was purged.
type purging struct{ store.Store }

func (p purging) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	found, err := p.Store.Gather(ctx, w)
	found.Purged = w.Episodes
	return found, err
}

func (p purging) Load(ctx context.Context, id string) (store.Episode, error) {
	return store.Episode{}, outcome.Fail(outcome.CodeDeleted, "load", "the record of this episode was removed, as the site's rule says")
}

// TestEventOfAPurgedEpisode: what was removed does not begin anew.
func TestEventOfAPurgedEpisode(t *testing.T) {
	b := newBench(t, func(st store.Store) store.Store { return purging{st} })
	_, err := b.send(newEvent())
	require.Equal(t, outcome.CodeDeleted, outcome.KindOf(err))
	require.Empty(t, b.all("Patient"), "nothing of it is stored")
}
