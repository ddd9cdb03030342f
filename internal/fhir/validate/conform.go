package validate

import (
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// trial is a value held to a profile to see whether it fits, not to report.
type trial struct {
	profile *definitions.Profile
	value   *tree.Node
}

// profileFits reports whether a found value fits a profile that the slice names at the
// path: of the element's type or, "if the path specifies .resolve() then the profile is
// the target profile on the reference" (hl7.org/fhir/R4/profiling.html#discriminator).
func (w *walker) profileFits(k *key, s *rule, here *expectation, found []item) bool {
	profiles := w.profilesNamed(k, s, here)
	for _, it := range found {
		for _, p := range profiles {
			if it.node != nil && w.conforms(p, it) {
				return true
			}
		}
	}
	return false
}

func (w *walker) profilesNamed(k *key, s *rule, here *expectation) []*definitions.Profile {
	var urls []string
	if last := len(k.path) - 1; last >= 0 && k.path[last] == "resolve()" {
		for _, r := range ruleAt([]*rule{s}, k.path[:last]) {
			for _, t := range r.def.Types {
				urls = append(urls, t.Targets...)
			}
		}
	} else {
		for _, r := range here.rules {
			for _, t := range r.def.Types {
				urls = append(urls, t.Profiles...)
			}
		}
	}
	var out []*definitions.Profile
	for _, url := range urls {
		if p := w.v.profile(definitions.StructureURL(url)); p != nil {
			out = append(out, p)
		}
	}
	return out
}

// conforms holds a value to a profile without reporting. Each is tried once; profiles
// that ask for one another count as kept while they are tried.
func (w *walker) conforms(p *definitions.Profile, it item) bool {
	if p.Type != it.typeName() {
		return false
	}
	t := trial{p, it.node}
	if fits, known := w.trials[t]; known {
		return fits
	}
	if w.trials == nil {
		w.trials = map[trial]bool{}
	}
	w.trials[t] = true
	outer := w.trying
	var faulty bool
	w.trying = &faulty
	w.asOwn(it, func(it item) { w.applyProfile(p, it) })
	w.trying = outer
	w.trials[t] = !faulty
	return !faulty
}

// asOwn does with an item what is to be done; with a resource as one of its own, so
// that what it says of %resource and of contained resources is meant of it.
func (w *walker) asOwn(it item, do func(item)) {
	t := w.v.schema.typ(it.typeName())
	if it.m.kind != resourceValue || t == nil {
		do(it)
		return
	}
	contained := false
	for c := range w.container.Get("contained").Items() {
		contained = contained || c == it.node
	}
	outer := w.surroundings
	w.enter(it.node, t, contained)
	do(item{m: t.self, node: it.node, index: it.index})
	w.leave(outer)
}

// tried notes a fault of a value that is only tried, and reports whether it is.
func (w *walker) tried(i *outcome.Issue) bool {
	if w.trying == nil {
		return false
	}
	if i.Severity == outcome.SeverityError {
		*w.trying = true
	}
	return true
}
