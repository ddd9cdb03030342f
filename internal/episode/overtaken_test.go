package episode

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// overtaking runs an act once, right after a resource was read for the first time.
type overtaking struct {
	store.Store
	resource string // Type/id
	act      func()
}

func (s *overtaking) Read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	r, err := s.Store.Read(ctx, resourceType, id)
	s.was(resourceType, id)
	return r, err
}

func (s *overtaking) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	found, err := s.Store.Gather(ctx, w)
	for _, r := range found.Resources {
		s.was(r.Type, r.ID)
	}
	return found, err
}

// was acts on what was read.
func (s *overtaking) was(resourceType, id string) {
	if act := s.act; act != nil && s.resource == resourceType+"/"+id {
		s.act = nil
		act()
	}
}

// newOvertaken is a bench with a plan, on a store by which an update can be overtaken.
func newOvertaken(t *testing.T) (*bench, *overtaking) {
	t.Helper()
	var gap *overtaking
	b := newBench(t, func(st store.Store) store.Store { gap = &overtaking{Store: st}; return gap })
	b.Endpoints = allowed{}
	b.mustSend(newEvent())
	return b, gap
}

// Two update by the same version, and one is committed right after the other has looked at
// it: that one is told so and changes nothing, whatever the resource is (R4 http.html#concurrency).
func TestUpdateOvertakenHalfWay(t *testing.T) {
	for kind, tt := range map[string]struct {
		create   func(b *bench) store.Resource
		from, to string
	}{
		"Observation": {
			func(b *bench) store.Resource { return b.mustObserve("access-site-bleeding", dry()).Resource },
			`"status":"final"`, `"status":"amended","note":[{"text":"BY"}]`,
		},
		response: {
			func(b *bench) store.Resource {
				return b.mustFill(filled{kind: "site-check", items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))}}).Resource
			},
			`"status":"completed"`, `"status":"amended","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">BY</div>"}`,
		},
		"Subscription": {
			func(b *bench) store.Resource { return b.mustSubscribe(nurse(), onCriteria("Task?status=ready", "")) },
			`"reason":"work list"`, `"reason":"BY"`,
		},
		"Task": {
			func(b *bench) store.Resource { return b.tasks("site-check", "ready")[0] },
			`"status":"ready"`, `"status":"ready","owner":{"display":"BY"}`,
		},
	} {
		t.Run(kind, func(t *testing.T) {
			b, gap := newOvertaken(t)
			r := tt.create(b)
			update := func(by string) error {
				body := changed(t, r, tt.from, strings.ReplaceAll(tt.to, "BY", by))
				_, err := b.put(r, body, `W/"1"`)
				return err
			}
			gap.resource, gap.act = kind+"/"+r.ID, func() { require.NoError(t, update("the first")) }
			require.Equal(t, outcome.CodeConflict, outcome.KindOf(update("the second")))
			got, err := b.Store.Read(t.Context(), kind, r.ID)
			require.NoError(t, err)
			require.Contains(t, string(got.Body), "the first")
			require.EqualValues(t, 2, got.Version)
		})
	}
}

// A patient is told by two messages at once: the later one stands, whichever is looked at
// first.
func TestSharedOvertakenHalfWay(t *testing.T) {
	b, gap := newOvertaken(t)
	patient := b.all("Patient")[0]
	tell := func(name, message string, minutes time.Duration) {
		e := newEvent()
		e.message, e.timestamp = message, e.timestamp.Add(minutes*time.Minute)
		body := strings.Replace(string(e.body()), "Okonedo", name, 1)
		_, err := b.Message(t.Context(), Message{Body: []byte(body), ContentType: fhir.ContentType, Door: DoorJetStream})
		require.NoError(t, err, issuesOf(err))
	}
	gap.resource = "Provenance/" + b.ids.provenance("Patient", patient.ID, 1) // says when it was told
	gap.act = func() { tell("Later", "m3", 2) }
	tell("Earlier", "m2", 1)
	got, err := b.Store.Read(t.Context(), "Patient", patient.ID)
	require.NoError(t, err)
	require.Contains(t, string(got.Body), "Later")
}
