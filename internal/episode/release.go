package episode

import (
	"errors"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// Release is what this version of the service and the site bring along: the protocols that new
// episodes may be given, and what is published. It is read once and never changes; services may
// share it.
type Release struct {
	protocols []read
	published []named
}

// named is a resource that others refer to by canonical url, and version.
type named struct {
	kind, canonical string
	body            []byte
}

// NewRelease reads protocols, which are PlanDefinitions, and further resources that others refer
// to by canonical url, such as code systems and search parameters; the forms that Tasks refer to
// are always there. With drafts, for the sandbox alone, protocols may be such that nobody has
// approved. The error names every fault of every resource.
func NewRelease(protocols, published [][]byte, drafts bool) (*Release, error) {
	list, err := readProtocols(protocols, drafts)
	r, faults := &Release{protocols: list}, []error{err}
	for _, p := range list {
		r.published = append(r.published, named{"PlanDefinition", p.Canonical(), p.body})
	}
	for _, body := range published {
		one, err := readNamed(body)
		faults = append(faults, err)
		r.published = append(r.published, one)
	}
	for _, body := range fhir.Questionnaires() {
		one, err := readNamed(body)
		faults = append(faults, err)
		r.published = append(r.published, one)
	}
	return r, errors.Join(faults...)
}

func readNamed(body []byte) (named, error) {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return named{}, outcome.Reject("publish", issues)
	}
	return named{doc.Root.Str("resourceType"), doc.Root.Str("url") + "|" + doc.Root.Str("version"), body}, nil
}
