package episode

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// Chart makes the changes that a client asks for: all of them or none, as one input. The
// results are in the order of the entries. Errors are *outcome.Error; the issues of all
// entries are collected, each with the FHIRPath of its entry. not-found and conflict
// are about the resource that is to be changed.
func (s *Service) Chart(ctx context.Context, c Client, entries []Entry) ([]EntryResult, error) {
	body, err := json.Marshal(entries)
	if err != nil {
		return nil, fmt.Errorf("encode entries: %w", err)
	}
	b := &batch{Service: s, client: c, entries: entries, input: uuid.NewString()}
	q := quarantine{kind: "chart", id: b.input, body: body, unit: c.Units.Home()}
	var results []EntryResult
	err = s.guard(ctx, &q, func() error {
		e, err := s.commit(ctx, "chart", func(ctx context.Context) (*draft, error) { return b.build(ctx, &q) })
		if err != nil {
			return err
		}
		if results = b.results; e.repeat {
			results, err = s.recall(ctx, e.answer)
		}
		if e.draft == nil && err == nil {
			b.note(results)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	b.afterwards(ctx)
	return results, nil
}

// batch is what a client entered in one go.
type batch struct {
	*Service
	client  Client
	entries []Entry
	input   string // id of the input, the same on every try

	// Made anew on every try.
	draft    *draft
	episodes map[string]*loaded
	subjects map[string][]*loaded
	charted  map[*loaded]*workflow.Charted
	local    map[string]string // fullUrl to Type/id
	works    []work
	issues   []outcome.Issue
	results  []EntryResult
	unplaced []string // patients with a finding that fits no plan yet
}

// work is one entry under way. doc is what it wants to be stored or, for a Task, what
// the client sent or patched. finish gives its result when all episodes are stepped.
type work struct {
	*Entry
	index   int
	doc     *tree.Document
	id      string
	claims  []store.Identity
	current *store.Resource // what is stored; of a repeated create, the first one
	remarks []outcome.Issue // of the validator beside errors
	finish  func() EntryResult
	derived bool // an Observation that the form behind it tells; the client sent none
}

// build makes the changeset of the batch; nil when nothing changes.
func (b *batch) build(ctx context.Context, q *quarantine) (*draft, error) {
	knowing, err := b.gather(ctx, b.wanted())
	if err != nil {
		return nil, err
	}
	plain := b.Service
	b.Service = knowing
	defer func() { b.Service = plain }()
	b.draft = b.newDraft(b.client.name())
	b.draft.unit = b.client.Units.Home()
	b.episodes, b.subjects, b.charted = map[string]*loaded{}, map[string][]*loaded{}, map[*loaded]*workflow.Charted{}
	b.local, b.works, b.issues, b.results, b.unplaced = map[string]string{}, nil, nil, nil, nil
	if err := b.prepare(ctx); err != nil {
		return nil, err
	}
	for i := range b.works {
		if err := b.take(ctx, &b.works[i]); err != nil {
			return nil, err
		}
	}
	if outcome.HasErrors(b.issues) {
		for _, w := range b.works {
			b.issues = append(b.issues, advice(w.remarks, b.issues)...)
		}
		return nil, outcome.Reject("chart", b.issues)
	}
	if err := b.advance(q); err != nil {
		return nil, err
	}
	var derived []EntryResult
	for _, w := range b.works {
		r := w.finish()
		r.Warnings = append(r.Warnings, advice(w.remarks, r.Warnings)...)
		if w.derived {
			derived = append(derived, r)
			continue
		}
		b.results = append(b.results, r)
	}
	if len(b.draft.changes.Resources) == 0 && len(b.draft.changes.Episodes) == 0 {
		return nil, nil
	}
	answer, err := remember(b.results)
	if err != nil {
		return nil, err
	}
	if err := b.draft.seal(store.Inbox{Source: "chart", ID: b.input, Digest: b.input, Answer: answer}); err != nil {
		return nil, err
	}
	return b.draft, b.draft.audit(b.input, append(b.accesses(b.results), b.derivedAccesses(derived)...))
}

// derivedAccesses is how the Observations that forms tell are recorded, if they changed.
func (b *batch) derivedAccesses(results []EntryResult) []fhir.Access {
	var all []fhir.Access
	for _, r := range results {
		if b.draft.resource(r.Resource.Type, r.Resource.ID) == nil {
			continue
		}
		interaction := "update"
		if r.Created {
			interaction = "create"
		}
		all = append(all, b.access(interaction, r.Resource))
	}
	return all
}

// accesses is how the results are recorded.
func (b *batch) accesses(results []EntryResult) []fhir.Access {
	kinds := map[string]string{methodPost: "create", methodPut: "update", methodPatch: "patch"}
	all := make([]fhir.Access, len(results))
	for i, r := range results {
		all[i] = b.access(kinds[b.entries[i].Method], r.Resource)
	}
	return all
}

// access is the client's access to a resource version.
func (b *batch) access(interaction string, r store.Resource) fhir.Access {
	x := b.client.Access()
	x.Interaction, x.Type, x.Data, x.Unit, x.Patient = interaction, r.Type, versioned(r), r.Unit, Patients(r)
	return x
}

// note records what changed nothing, or was recorded with what changed before.
func (b *batch) note(results []EntryResult) {
	if b.Auditor == nil {
		return
	}
	for _, x := range b.accesses(results) {
		b.Auditor.Note(x)
	}
}

// next is the version that an entry makes of its resource, which must be as it was when
// If-Match and the identity were looked at.
func (b *batch) next(w *work, in incoming) (r store.Resource, changed bool, err error) {
	return b.successor(w.current, in, w.id, b.draft.at)
}

// advance steps every episode that the batch touches.
func (b *batch) advance(q *quarantine) error {
	for l := range b.charted {
		q.episode, q.subject, q.unit = l.id, l.state.Refs.Subject, l.state.Refs.Unit
	}
	if err := b.draft.advanceAll(b.charted, b.input); err != nil {
		return b.refused(err)
	}
	return nil
}

// refused says the core's refusal in the words of R4, at its entry.
func (b *batch) refused(err error) error {
	var r *workflow.Refusal
	if !errors.As(err, &r) {
		return err
	}
	path := ""
	if r.Entry >= 0 && r.Entry < len(b.works) {
		path = b.works[r.Entry].root()
	}
	code := outcome.Code(r.Kind)
	if r.Kind == workflow.RefusedNotFound {
		code = outcome.CodeBusinessRule // what is changed is there; what it names is not
	}
	return &outcome.Error{Kind: code, Op: "chart", Issues: []outcome.Issue{outcome.Errorf(code, path, "%s", r.Text)}}
}

// inputOf gives what is charted for an episode.
func (b *batch) inputOf(l *loaded) *workflow.Charted {
	in := b.charted[l]
	if in == nil {
		in = &workflow.Charted{}
		b.charted[l] = in
	}
	return in
}

// episode gives an episode of the batch, loaded once.
func (b *batch) episode(ctx context.Context, id string) (*loaded, error) {
	if l := b.episodes[id]; l != nil {
		return l, nil
	}
	l, err := b.load(ctx, id)
	if err != nil {
		return nil, err
	}
	b.episodes[id] = l
	return l, nil
}

// within leaves the episodes that an entry may belong to: those of the client's units,
// and those that hold it already, since a correction follows what it corrects.
func (b *batch) within(w *work, all []*loaded) []*loaded {
	return slices.DeleteFunc(slices.Clone(all), func(l *loaded) bool {
		return !b.client.Units.Has(l.state.Refs.Unit) && (w.current == nil || !l.has(w.id))
	})
}

// episodesFor gives all episodes of a patient (Patient/id), loaded once.
func (b *batch) episodesFor(ctx context.Context, subject string) ([]*loaded, error) {
	if all, ok := b.subjects[subject]; ok {
		return all, nil
	}
	all, err := b.episodesOfSubject(ctx, subject)
	if err != nil {
		return nil, err
	}
	for i, l := range all {
		if known := b.episodes[l.id]; known != nil {
			all[i] = known
		}
		b.episodes[l.id] = all[i]
	}
	b.subjects[subject] = all
	return all, nil
}

// name is how the core names a client who charts for nobody in particular.
func (c Client) name() string {
	if c.Display != "" {
		return c.Display
	}
	return c.ID
}

// afterwards adopts what fitted no plan, in case its event was stored meanwhile. The
// entries are stored whatever comes of it, and the event will adopt them, too.
func (b *batch) afterwards(ctx context.Context) {
	for _, subject := range b.unplaced {
		if err := b.adopt(ctx, subject, b.client.Units.Home()); err != nil {
			b.Log.Warn("finding not adopted yet", "kind", outcome.KindOf(err), "error", err)
		}
	}
}
