package episode

import (
	"context"
	"maps"
	"slices"
	"strings"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// HandoverTypes are the resource types that a page to hand over may hold.
func HandoverTypes() []string {
	return []string{
		"CarePlan", "Communication", "DetectedIssue", "Encounter", "Flag", "MedicationAdministration", "Observation",
		"Patient", "Procedure", "ServiceRequest", "Task",
	}
}

// Handover writes the page by which a plan is handed over, from the state as it is stored:
// an R4 document, and the version of the plan that it is of. base is where clients read
// the resources. Nothing is stored. Errors: not-found for a plan that is not there or is
// another unit's, and the store's.
func (s *Service) Handover(ctx context.Context, u Units, plan, base string) ([]byte, store.Resource, error) {
	l, r, err := s.seePlan(ctx, u, plan)
	if err != nil {
		return nil, r, err
	}
	at := s.Now()
	page := fhir.Page{Document: uuid.NewString(), Base: base, At: at, Plan: l.core.Plan, State: l.core.Handover(at)}
	g := gathering{Service: s, units: u, l: l, page: &page}
	if err := g.all(ctx); err != nil {
		return nil, r, err
	}
	body, err := fhir.RenderHandover(page, s.contextOf(l))
	if err == nil {
		err = sound(s.Incoming, body) // what others entered need not fit the profiles
	}
	return body, r, err
}

// gathering reads the resources that a page names. What the service wrote is read in the
// version that goes with the state in hand. What a client may not see alone is not handed
// over either.
type gathering struct {
	*Service
	units Units
	l     *loaded
	page  *fhir.Page
}

func (g *gathering) all(ctx context.Context) error {
	refs, h := g.l.state.Refs, g.page.State
	subject, err := g.read(ctx, refs.Subject)
	if err != nil {
		return err
	}
	g.page.Subject = fhir.HandoverPart{Type: subject.Type, ID: subject.ID, Body: subject.Body}
	named := map[fhir.HandoverSection][]string{
		fhir.HandoverNow:  {"CarePlan/" + g.ids.plan(g.l.id)},
		fhir.HandoverBand: {refs.Procedure},
	}
	add := func(s fhir.HandoverSection, reference string) { named[s] = append(named[s], reference) }
	if refs.Encounter != "" {
		add(fhir.HandoverBand, refs.Encounter)
	}
	if next := g.page.Plan.Summary.Next; next != nil {
		add(fhir.HandoverNow, g.task(*next))
	}
	for _, t := range h.Next {
		add(fhir.HandoverNow, g.task(t.Key))
	}
	for _, f := range h.Flags {
		add(fhir.HandoverNow, "Flag/"+g.ids.flag(g.l.id, f.Code))
	}
	for _, f := range []*workflow.Finding{h.Look, h.Test, h.Haematoma, h.Hand} {
		if f != nil {
			add(fhir.HandoverSite, "Observation/"+f.ID)
		}
	}
	if h.Count != nil {
		add(fhir.HandoverNow, "Observation/"+h.Count.ID)
	}
	g.waiting(add)
	for _, o := range h.Orders {
		add(fhir.HandoverOrders, "ServiceRequest/"+o.ID)
	}
	doses, err := g.doses(ctx)
	if err != nil {
		return err
	}
	named[fhir.HandoverOrders] = append(named[fhir.HandoverOrders], doses...)
	return g.take(ctx, named)
}

func (g *gathering) task(k workflow.TaskKey) string { return "Task/" + g.ids.task(g.l.id, k) }

// waiting names what waits for somebody.
func (g *gathering) waiting(add func(fhir.HandoverSection, string)) {
	h := g.page.State
	for _, t := range slices.Concat(h.Late, h.Missed) {
		add(fhir.HandoverWaiting, g.task(t.Key))
	}
	for _, x := range h.Calls {
		add(fhir.HandoverWaiting, "Communication/"+g.ids.notice(g.l.id, x))
		add(fhir.HandoverWaiting, g.task(x.Task))
	}
	for _, is := range h.Issues {
		add(fhir.HandoverWaiting, "DetectedIssue/"+g.ids.issue(g.l.id, is))
	}
}

// doses names all drugs that are recorded with the plan, by the event or since.
func (g *gathering) doses(ctx context.Context) ([]string, error) {
	page, err := g.Store.Search(ctx, search.Query{
		Type: "MedicationAdministration", Count: search.MaximumCount, Sort: []search.Sort{{Param: "effective-time", Kind: search.Date}},
		All: []search.Condition{{Param: "subject", Kind: search.Reference, Any: []search.Term{
			{System: "Patient", Code: strings.TrimPrefix(g.l.state.Refs.Subject, "Patient/")},
		}}},
	})
	if err != nil {
		return nil, err
	}
	var refs []string
	for _, r := range page.Matches {
		if r.Episode == g.l.id {
			refs = append(refs, r.Type+"/"+r.ID)
		}
	}
	for _, f := range g.page.State.Doses { // of the whole patient: kept with another plan of theirs
		if ref := "MedicationAdministration/" + f.ID; !slices.Contains(refs, ref) {
			refs = append(refs, ref)
		}
	}
	return refs, nil
}

// take reads what is named, each once, under the first section that names it.
func (g *gathering) take(ctx context.Context, named map[fhir.HandoverSection][]string) error {
	seen := map[string]bool{}
	for _, section := range slices.Sorted(maps.Keys(named)) {
		for _, reference := range named[section] {
			if seen[reference] {
				continue
			}
			seen[reference] = true
			r, err := g.read(ctx, reference)
			if err != nil {
				return err
			}
			ok, err := g.units.See(ctx, g.Store, r)
			if err != nil {
				return err
			}
			if ok {
				g.page.Parts = append(g.page.Parts, fhir.HandoverPart{Section: section, Type: r.Type, ID: r.ID, Body: r.Body})
			}
		}
	}
	return nil
}

func (g *gathering) read(ctx context.Context, reference string) (store.Resource, error) {
	resourceType, id, _ := strings.Cut(reference, "/")
	if known, ok := g.l.state.Known[reference]; ok {
		return g.Store.ReadVersion(ctx, resourceType, id, known.Version)
	}
	return g.Store.Read(ctx, resourceType, id)
}
