package episode

import (
	"context"
	"errors"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// adoptable are the types of what may wait for an event.
var adoptable = []string{"Observation", "MedicationAdministration"}

// orphan is a finding that fitted no plan when it came.
type orphan struct {
	resource store.Resource
	chart    *fhir.Chart
}

// reach leaves the episodes that may take the finding: those of the unit that entered
// it, of all if it was entered for no unit.
func (o orphan) reach(all []*loaded) []*loaded {
	return slices.DeleteFunc(slices.Clone(all), func(l *loaded) bool {
		return o.resource.Unit != "" && o.resource.Unit != l.state.Refs.Unit
	})
}

// adopt places a patient's findings that fitted no plan and were entered within
// adoptWithin. Whoever stores an event or such a finding calls it after the commit, so
// that one of the two sees the other. What still fits none, or fits two, stays. A fault
// of ours is kept aside and is no fault of what was stored before; so the errors are the
// store's alone. The unit is that of who asks for it.
func (s *Service) adopt(ctx context.Context, subject, unit string) error {
	q := quarantine{kind: "adopt", id: subject, body: []byte(subject), subject: subject, unit: unit}
	err := s.guard(ctx, &q, func() error { return s.adoptAll(ctx, subject) })
	if outcome.KindOf(err) == outcome.CodeException {
		return nil
	}
	return err
}

func (s *Service) adoptAll(ctx context.Context, subject string) error {
	refused := map[string]bool{}
	for {
		var taken []orphan
		_, err := s.commit(ctx, "adopt", func(ctx context.Context) (*draft, error) {
			d := s.newDraft("")
			var err error
			if taken, err = s.adoptInto(ctx, d, subject, refused); err != nil || len(taken) == 0 {
				return nil, err
			}
			return d, d.seal(store.Inbox{})
		})
		var r *workflow.Refusal
		if !errors.As(err, &r) || r.Entry >= len(taken) {
			return err
		}
		refused[taken[r.Entry].resource.ID] = true // the others need not wait for it
	}
}

// adoptInto adds to a draft all that can be placed now.
func (s *Service) adoptInto(ctx context.Context, d *draft, subject string, refused map[string]bool) ([]orphan, error) {
	id, tag := strings.TrimPrefix(subject, "Patient/"), fhir.CodeUnplaced.Coding()
	waits, err := s.Store.Tagged(ctx, id, store.Tag{Types: adoptable, System: tag.System, Code: tag.Code})
	if err != nil || !waits { // as a rule
		return nil, err
	}
	if s, err = s.gather(ctx, store.Wanted{Subjects: []string{id}}); err != nil {
		return nil, err
	}
	waiting, err := s.orphans(ctx, d, subject)
	if err != nil || len(waiting) == 0 {
		return nil, err
	}
	all, err := s.episodesOfSubject(ctx, subject)
	if err != nil {
		return nil, err
	}
	var taken []orphan
	charted := map[*loaded]*workflow.Charted{}
	for _, o := range waiting {
		p := place(o.reach(all), hintsOf(o.chart, d, func(ref string) string { return ref }))
		if refused[o.resource.ID] || len(p.episodes) == 0 || p.ambiguous {
			continue
		}
		f := o.chart.Finding
		f.ID, f.By, f.Recorded, f.Entry = o.resource.ID, o.chart.Performer.By(), o.resource.Updated, len(taken)
		if f.Found.IsZero() {
			f.Found = f.Recorded
		}
		taken = append(taken, o)
		for _, l := range p.episodes {
			if charted[l] == nil {
				charted[l] = &workflow.Charted{}
			}
			charted[l].Findings = append(charted[l].Findings, f)
			l.call(f.By, o.chart.Performer.Display)
		}
		if err := s.settleIn(ctx, d, o, p.episodes[0]); err != nil {
			return nil, err
		}
	}
	return taken, d.advanceAll(charted, "adopt "+digest([]byte(subject+fhir.Instant(d.at))))
}

// settleIn stores the finding with its episode, without the tag.
func (s *Service) settleIn(ctx context.Context, d *draft, o orphan, l *loaded) error {
	in := incoming{resourceType: o.resource.Type, body: o.resource.Body}
	in.rewriting.Untag = []fhir.Coding{fhir.CodeUnplaced.Coding()}
	v, _, err := s.successor(&o.resource, in, o.resource.ID, d.at)
	if err != nil {
		return err
	}
	v.Episode, v.Unit = l.id, l.state.Refs.Unit
	d.put(v, l.version+1)
	with, err := s.withForms(ctx, []store.Resource{o.resource})
	if err != nil {
		return err
	}
	for _, f := range with[1:] {
		if d.resource(f.Type, f.ID) != nil {
			continue
		}
		if f, err = s.sameAgain(f, d.at); err != nil {
			return err
		}
		f.Episode, f.Unit = l.id, l.state.Refs.Unit
		d.put(f, l.version+1)
	}
	return nil
}

// advanceAll steps several episodes by what was charted for each, in order of id, so that
// two inputs can't wait for each other.
func (d *draft) advanceAll(charted map[*loaded]*workflow.Charted, input string) error {
	var all []*loaded
	for l := range charted {
		all = append(all, l)
	}
	slices.SortFunc(all, func(a, b *loaded) int { return strings.Compare(a.id, b.id) })
	for _, l := range all {
		in := charted[l]
		in.Stamp = workflow.Stamp{At: d.at, ID: input}
		if err := d.advance(l, *in); err != nil {
			return err
		}
	}
	return nil
}

// orphans gives a patient's findings that wait for an event, the latest first, so that
// old ones that nobody adopted don't stand in the way.
func (s *Service) orphans(ctx context.Context, d *draft, subject string) ([]orphan, error) {
	records, err := s.person(ctx, subject)
	if err != nil {
		return nil, err
	}
	var waiting []orphan
	for _, record := range records {
		for _, resourceType := range adoptable {
			some, err := s.orphansOf(ctx, d, resourceType, record)
			if err != nil {
				return nil, err
			}
			waiting = append(waiting, some...)
		}
	}
	return waiting, nil
}

// orphansOf gives those of one type.
func (s *Service) orphansOf(ctx context.Context, d *draft, resourceType, subject string) ([]orphan, error) {
	tag := fhir.CodeUnplaced.Coding()
	page, err := s.Store.Search(ctx, search.Query{
		Type: resourceType, Count: search.MaximumCount, Sort: []search.Sort{{Param: "_lastUpdated", Kind: search.Date, Descending: true}},
		All: []search.Condition{
			{Param: "_tag", Kind: search.Token, Any: []search.Term{{System: tag.System, SystemGiven: true, Code: tag.Code}}},
			{Param: "subject", Kind: search.Reference, Any: []search.Term{{System: "Patient", Code: strings.TrimPrefix(subject, "Patient/")}}},
		},
	})
	if err != nil {
		return nil, err
	}
	var waiting []orphan
	for _, r := range page.Matches {
		doc, _ := tree.Parse(r.Body)
		if doc == nil || r.Updated.Before(d.at.Add(-adoptWithin)) {
			continue
		}
		c, issues := decodeFinding(resourceType, doc, "")
		if c == nil || !c.Counts {
			s.Log.Warn("kept finding can't be read", "kind", outcome.CodeException, "resource_id", r.ID, "error", outcome.Reject("adopt", issues))
			continue
		}
		waiting = append(waiting, orphan{resource: r, chart: c})
	}
	return waiting, nil
}
