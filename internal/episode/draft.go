package episode

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// draft is a changeset under construction. It is made anew on every try.
type draft struct {
	s        *Service
	at       time.Time
	author   string // who charted or sent the input, as the core names people
	source   string // system|value of a message, "" for others
	unit     string // of the Provenance of what belongs to no unit
	entry    string // Type/id/_history/n of what a client entered first, "" for others
	occurred time.Time
	context  fhir.Context // of the first episode, for Provenance
	changes  store.Changeset
	rendered []int // indices in changes.Resources of what the service wrote itself
	shared   []sharedVersion
	ended    []workflow.Figures
	stepped  map[string]kept // by episode, as they will be stored
}

func (s *Service) newDraft(author string) *draft {
	return &draft{
		s: s, at: s.Now(), author: author, context: s.plainContext(),
		stepped: map[string]kept{},
	}
}

// put adds a resource version. Its index and its change event follow from it.
func (d *draft) put(r store.Resource, seq int64) {
	r.Index = indexOf(r)
	d.tell(r, seq)
}

// tell adds a resource version and its change event.
func (d *draft) tell(r store.Resource, seq int64) {
	d.changes.Outbox = append(d.changes.Outbox, d.s.announce(d.add(r), seq))
}

// putUntold adds what a client entered and nobody else is told of.
func (d *draft) putUntold(r store.Resource) {
	d.entered(r)
	d.keep(r)
}

// keep adds a resource version and its index.
func (d *draft) keep(r store.Resource) {
	r.Index = indexOf(r)
	d.add(r)
}

// add adds a resource version as it is stored.
func (d *draft) add(r store.Resource) store.Resource {
	r.Updated = d.at
	d.changes.Resources = append(d.changes.Resources, r)
	return r
}

// putEntry adds what a client entered.
func (d *draft) putEntry(r store.Resource, seq int64) {
	d.entered(r)
	d.put(r, seq)
}

// entered remembers what a client entered first.
func (d *draft) entered(r store.Resource) {
	if d.entry == "" {
		d.entry = versioned(r)
	}
}

// versioned is the reference to a resource version.
func versioned(r store.Resource) string {
	return fmt.Sprintf("%s/%s/_history/%d", r.Type, r.ID, r.Version)
}

// putOwn adds a resource that the service wrote itself: it is validated before commit, and
// indexed with that.
func (d *draft) putOwn(r store.Resource, seq int64) {
	d.rendered = append(d.rendered, len(d.changes.Resources))
	d.tell(r, seq)
}

// resource gives the version in the draft, nil if there is none.
func (d *draft) resource(resourceType, id string) *store.Resource {
	for i := range d.changes.Resources {
		if r := &d.changes.Resources[i]; r.Type == resourceType && r.ID == id {
			return r
		}
	}
	return nil
}

// advance steps an episode by one input and adds all that follows from it. The error
// is a *workflow.Refusal or a fault of ours.
func (d *draft) advance(l *loaded, in workflow.Input) error {
	next, effects, err := d.s.step(l.core, in)
	if err != nil {
		return err
	}
	if ends(l.core, next) {
		d.ended = append(d.ended, next.Figures())
	}
	l.core = next
	if l.renamed { // what did not change says of whom it is, too
		effects = append(effects, next.Everything()...)
	}
	seq := l.version + 1
	if d.context.Episode == "" {
		d.context = d.s.contextOf(l)
	}
	change := store.EpisodeChange{
		ID: l.id, Unit: l.state.Refs.Unit, Subject: strings.TrimPrefix(l.state.Refs.Subject, "Patient/"),
		Expected: l.version, RulesVersion: workflow.RulesVersion, Due: l.due,
	}
	if l.protocol.Protocol != nil {
		change.Protocol, change.ProtocolDigest = l.protocol.Canonical(), l.protocol.digest
	}
	for _, e := range effects {
		if w, ok := e.(workflow.WakeAt); ok {
			change.Due = w.At
			continue
		}
		if err := d.effect(l, e, seq); err != nil {
			return err
		}
	}
	if err := d.carry(l, seq); err != nil {
		return err
	}
	change.Input = store.Input{Seq: seq, At: d.at}
	if change.Input.Kind, change.Input.Body, err = l.record(in); err != nil {
		return err
	}
	if change.State, err = l.encode(); err != nil {
		return err
	}
	d.stepped[l.id] = kept{bytes: change.State, core: l.core, state: l.state.clone()}
	d.changes.Episodes = append(d.changes.Episodes, change)
	return nil
}

// effect renders what the core ordered. Content that has not changed makes no version.
func (d *draft) effect(l *loaded, e workflow.Effect, seq int64) error {
	resourceType, id, key := d.s.target(l.id, e)
	c := d.s.contextOf(l)
	before := l.state.Known[resourceType+"/"+id]
	number, skipped := d.s.after(before.Version)
	body, digest, err := d.s.version(e, c, fhir.Version{ID: id, Number: number, At: d.at}, before.Digest)
	if err != nil {
		return fmt.Errorf("render %s of episode %s: %w", resourceType, l.id, err)
	}
	if body == nil {
		return nil
	}
	l.state.Known[resourceType+"/"+id] = written{Version: number, Task: key, Digest: digest}
	d.putOwn(store.Resource{Type: resourceType, ID: id, Version: number, Skipped: skipped, Unit: l.state.Refs.Unit, Episode: l.id, Body: body}, seq)
	return nil
}

// seal adds what belongs to the changeset as a whole, after all else: Provenance, and
// the answer in the inbox and in every input.
func (d *draft) seal(in store.Inbox) error {
	if err := d.provenance(); err != nil {
		return err
	}
	if err := d.check(); err != nil {
		return err
	}
	if in.Source != "" {
		in.At = d.at
		d.changes.Inbox = &in
	}
	for i := range d.changes.Episodes {
		d.changes.Episodes[i].Input.Answer = in.Answer
	}
	return nil
}

// check validates and indexes what the service wrote itself. An error is a fault of ours.
func (d *draft) check() error {
	for _, i := range d.rendered {
		r := &d.changes.Resources[i]
		if err := indexSound(d.s.Outgoing, r); err != nil {
			return fmt.Errorf("%s/%s: %w", r.Type, r.ID, err)
		}
	}
	return nil
}

// sound says whether what leaves the service is valid R4 and fits the release's profiles.
func sound(v Validator, body []byte) error { return firstError(v.Resource(body)) }

// indexSound is sound of what the service wrote itself and stores, and computes what it is
// found by.
func indexSound(v Validator, r *store.Resource) error {
	return firstError(v.Lend(r.Body, func(resource *tree.Node) { r.Index = search.IndexOf(r.Type, resource) }))
}

func firstError(issues []outcome.Issue) error {
	at := slices.IndexFunc(issues, func(i outcome.Issue) bool { return outcome.HasErrors([]outcome.Issue{i}) })
	if at < 0 {
		return nil
	}
	return fmt.Errorf("not valid: %s", issues[at])
}

// indexOf computes what a resource is found by.
func indexOf(r store.Resource) []search.Value { return search.Index(r.Type, r.Body) }
