package store

import (
	"context"
	"slices"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
)

// Name is a resource, whatever its version.
type Name struct{ Type, ID string }

// Wanted is what an input is about, as far as the input itself tells.
type Wanted struct {
	Input      InputKey
	Identities []Identity // without ID
	Resources  []Name
	Episodes   []string // ids
	Subjects   []string // ids of Patient resources
}

// InputKey is the identity of an input of which an answer is kept in the inbox; zero for none.
type InputKey struct{ Source, ID string }

// Gathered is what is stored of what was wanted. Who holds a wanted identity is wanted, too,
// and a Patient that does is a subject.
type Gathered struct {
	Answered  *Inbox     // the entry of the Input, nil if it was not accepted before
	Holders   []Identity // the wanted identities that are held
	Resources []Resource // current versions: the wanted ones, the subjects, and Patients that link to a subject
	Links     []Link     // of these Patients
	Episodes  []Episode  // the wanted ones, those of the subjects and those of the wanted Resources; of one subject oldest first
	Purged    []string   // the wanted Episodes that were purged
}

// Link is a Patient that refers to another one by Patient.link (ids).
type Link struct{ From, To string }

// gatherer is what GatherSingly reads from.
type gatherer interface {
	Answer(ctx context.Context, source, id string) (Inbox, bool, error)
	Read(ctx context.Context, resourceType, id string) (Resource, error)
	Identity(ctx context.Context, resourceType, system, value string) (id string, ok bool, err error)
	Search(ctx context.Context, q search.Query) (Page, error)
	Load(ctx context.Context, id string) (Episode, error)
	EpisodesOf(ctx context.Context, subject string) ([]string, error)
}

// GatherSingly is Gather by one read after the other: for stores to which there is no way, and
// to hold the others against. Episodes come in order of the subjects, and of their age within.
func GatherSingly(ctx context.Context, s gatherer, w Wanted) (Gathered, error) {
	var g Gathered
	if w.Input != (InputKey{}) {
		known, ok, err := s.Answer(ctx, w.Input.Source, w.Input.ID)
		if err != nil {
			return g, err
		}
		if ok {
			g.Answered = &known
		}
	}
	names, subjects := slices.Clone(w.Resources), slices.Clone(w.Subjects)
	for _, i := range w.Identities {
		id, held, err := s.Identity(ctx, i.Type, i.System, i.Value)
		if err != nil {
			return g, err
		}
		if !held {
			continue
		}
		i.ID = id
		g.Holders, names = append(g.Holders, i), append(names, Name{i.Type, id})
		if i.Type == "Patient" {
			subjects = append(subjects, id)
		}
	}
	subjects = unique(subjects)
	for _, id := range subjects {
		names = append(names, Name{"Patient", id})
		page, err := s.Search(ctx, linkingTo(id))
		if err != nil {
			return g, err
		}
		for _, r := range page.Matches {
			g.Links, names = append(g.Links, Link{r.ID, id}), append(names, Name{r.Type, r.ID})
		}
	}
	ids := slices.Clone(w.Episodes)
	for _, n := range unique(names) {
		r, err := s.Read(ctx, n.Type, n.ID)
		if outcome.KindOf(err) == outcome.CodeNotFound {
			continue
		}
		if err != nil {
			return g, err
		}
		g.Resources = append(g.Resources, r)
		if r.Episode != "" && slices.Contains(w.Resources, n) {
			ids = append(ids, r.Episode)
		}
	}
	return g, gatherEpisodes(ctx, s, &g, ids, subjects)
}

func gatherEpisodes(ctx context.Context, s gatherer, g *Gathered, ids, subjects []string) error {
	var all []string
	for _, id := range subjects {
		some, err := s.EpisodesOf(ctx, id)
		if err != nil {
			return err
		}
		all = append(all, some...)
	}
	for _, id := range unique(append(all, ids...)) {
		e, err := s.Load(ctx, id)
		kind := outcome.KindOf(err)
		if kind == outcome.CodeDeleted {
			g.Purged = append(g.Purged, id)
		}
		if kind == outcome.CodeNotFound || kind == outcome.CodeDeleted {
			continue
		}
		if err != nil {
			return err
		}
		g.Episodes = append(g.Episodes, e)
	}
	return nil
}

// linkingTo finds the Patients that refer to one.
func linkingTo(id string) search.Query {
	return search.Query{Type: "Patient", Count: 1000, All: []search.Condition{
		{Param: "link", Kind: search.Reference, Any: []search.Term{{System: "Patient", Code: id}}},
	}}
}

// unique leaves out what stood before.
func unique[T comparable](all []T) []T {
	seen := map[T]bool{}
	return slices.DeleteFunc(slices.Clone(all), func(x T) bool {
		again := seen[x]
		seen[x] = true
		return again
	})
}
