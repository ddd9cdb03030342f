package episode

import (
	"context"
	"maps"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// gathered is a store of which a part was read at once: what one input is about. It answers
// from that, and asks the store for the rest. It is of one try: a commit that conflicts with
// what was read has it read again.
type gathered struct {
	store.Store
	answered  *store.Inbox
	resources map[store.Name]*store.Resource // nil: there is none
	holders   map[store.Identity]string      // by the identity without ID; "" for nobody
	episodes  map[string]*store.Episode      // those that are there
	subjects  map[string][]string            // the ids of their episodes
	links     map[string][]store.Resource    // the Patients that link to a subject
	wanted    map[string]bool                // episodes
	purged    map[string]bool                // episodes
}

// gather reads what is wanted and gives the service that knows it.
func (s *Service) gather(ctx context.Context, w store.Wanted) (*Service, error) {
	found, err := s.Store.Gather(ctx, w)
	if err != nil {
		return nil, err
	}
	knowing := *s
	knowing.Store = newGathered(s.Store, w, found)
	return &knowing, nil
}

// answered gives the entry of the input that was gathered for, nil if it was not accepted before.
func (s *Service) answered() *store.Inbox {
	if g, ok := s.Store.(*gathered); ok {
		return g.answered
	}
	return nil
}

func newGathered(st store.Store, w store.Wanted, found store.Gathered) *gathered {
	g := &gathered{
		Store: st, answered: found.Answered, resources: map[store.Name]*store.Resource{}, holders: map[store.Identity]string{},
		episodes: map[string]*store.Episode{}, subjects: map[string][]string{}, links: map[string][]store.Resource{},
		wanted: map[string]bool{}, purged: map[string]bool{},
	}
	for _, id := range w.Episodes {
		g.wanted[id] = true
	}
	for _, id := range found.Purged {
		g.purged[id] = true
	}
	for _, n := range w.Resources {
		g.resources[n] = nil
	}
	for _, i := range w.Identities {
		g.holders[i] = ""
	}
	for _, id := range w.Subjects {
		g.resources[store.Name{Type: "Patient", ID: id}], g.subjects[id] = nil, nil
	}
	for _, i := range found.Holders {
		id := i.ID
		if i.ID = ""; i.Type == "Patient" {
			g.subjects[id] = nil
		}
		g.holders[i] = id
	}
	for i, r := range found.Resources {
		g.resources[store.Name{Type: r.Type, ID: r.ID}] = &found.Resources[i]
	}
	for i, e := range found.Episodes {
		g.episodes[e.ID] = &found.Episodes[i]
		if _, wanted := g.subjects[e.Subject]; wanted {
			g.subjects[e.Subject] = append(g.subjects[e.Subject], e.ID)
		}
	}
	for _, l := range found.Links {
		if r := g.resources[store.Name{Type: "Patient", ID: l.From}]; r != nil {
			g.links[l.To] = append(g.links[l.To], *r)
		}
	}
	return g
}

// Read is the store's.
func (g *gathered) Read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	r, known := g.resources[store.Name{Type: resourceType, ID: id}]
	switch {
	case !known:
		return g.Store.Read(ctx, resourceType, id)
	case r == nil:
		return store.Resource{}, outcome.Fail(outcome.CodeNotFound, "read", "there is no %s/%s", resourceType, id)
	}
	return *r, nil
}

// Identity is the store's.
func (g *gathered) Identity(ctx context.Context, resourceType, system, value string) (id string, ok bool, err error) {
	id, known := g.holders[store.Identity{Type: resourceType, System: system, Value: value}]
	if !known {
		return g.Store.Identity(ctx, resourceType, system, value)
	}
	return id, id != "", nil
}

// Load is the store's.
func (g *gathered) Load(ctx context.Context, id string) (store.Episode, error) {
	if e := g.episodes[id]; e != nil {
		return *e, nil
	}
	if g.wanted[id] && !g.purged[id] {
		return store.Episode{}, outcome.Fail(outcome.CodeNotFound, "load", "there is no episode %s", id)
	}
	return g.Store.Load(ctx, id)
}

// learn adds a version that is about to be stored, and the identifiers that it claims.
func (g *gathered) learn(r store.Resource, claims []store.Identity) {
	g.resources[store.Name{Type: r.Type, ID: r.ID}] = &r
	for _, i := range claims {
		id := i.ID
		i.ID = ""
		g.holders[i] = id
	}
	if r.Type != "Patient" {
		return
	}
	for to, linking := range g.links {
		g.links[to] = slices.DeleteFunc(linking, func(x store.Resource) bool { return x.ID == r.ID })
	}
	for _, refs := range fhir.Linked(r.Body) {
		for _, ref := range refs {
			to := strings.TrimPrefix(ref, "Patient/")
			g.links[to] = append(g.links[to], r)
		}
	}
}

// EpisodesOf is the store's.
func (g *gathered) EpisodesOf(ctx context.Context, subject string) ([]string, error) {
	if ids, known := g.subjects[subject]; known {
		return slices.Clone(ids), nil
	}
	return g.Store.EpisodesOf(ctx, subject)
}

// linking gives the Patients that link to one (id).
func (s *Service) linking(ctx context.Context, id string) ([]store.Resource, error) {
	var own []store.Resource
	if g, ok := s.Store.(*gathered); ok {
		own = g.links[id]
		if _, known := g.subjects[id]; known {
			return own, nil
		}
	}
	page, err := s.Store.Search(ctx, search.Query{Type: "Patient", Count: mostRecords, All: []search.Condition{
		{Param: "link", Kind: search.Reference, Any: []search.Term{{System: "Patient", Code: id}}},
	}})
	return append(page.Matches, own...), err
}

// wanted is what the entries are about, as far as they tell it themselves.
func (b *batch) wanted() store.Wanted {
	var w store.Wanted
	identities, subjects := map[store.Identity]bool{}, map[string]bool{}
	want := func(resourceType string, ids []fhir.Identifier) {
		for _, i := range identitiesOf(resourceType, ids) {
			identities[i] = true
		}
	}
	for i := range b.entries {
		e := &b.entries[i]
		if e.ID != "" {
			w.Resources = append(w.Resources, store.Name{Type: e.Type, ID: e.ID})
		}
		doc, _ := tree.Parse(e.Body)
		if doc == nil || e.Method == methodPatch {
			continue
		}
		if e.Method == methodPost {
			want(e.Type, fhir.Identifiers(doc))
		}
		subject := fhir.SubjectOf(doc)
		if subject.Identifier != nil {
			want("Patient", []fhir.Identifier{*subject.Identifier})
		} else if id, ok := strings.CutPrefix(b.refer(subject.Reference), "Patient/"); ok {
			subjects[id] = true
		}
	}
	w.Identities, w.Subjects = slices.Collect(maps.Keys(identities)), slices.Collect(maps.Keys(subjects))
	return w
}

// identitiesOf are identifiers as the store knows them, without who holds them.
func identitiesOf(resourceType string, ids []fhir.Identifier) []store.Identity {
	all := make([]store.Identity, len(ids))
	for n, i := range ids {
		all[n] = store.Identity{Type: resourceType, System: i.System, Value: i.Value}
	}
	return all
}
