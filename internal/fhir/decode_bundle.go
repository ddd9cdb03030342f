package fhir

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// bundleEntry is one resource of what was sent. Index is its place in Bundle.entry, -1
// for a resource that came alone.
type bundleEntry struct {
	index    int
	fullURL  string
	resource *tree.Node
}

// named reports whether a reference means the entry: its fullUrl, a relative
// Type/id, or an absolute URL that ends with it (R4 bundle.html#references).
func (e bundleEntry) named(ref string) bool {
	if ref == "" {
		return false
	}
	if ref == e.fullURL {
		return true
	}
	kind, id := e.resource.Str("resourceType"), e.resource.Str("id")
	if id == "" || strings.HasPrefix(ref, "urn:") {
		return false
	}
	relative := kind + "/" + id
	return ref == relative || strings.HasSuffix(e.fullURL, "/"+ref)
}

// path is the FHIRPath of the resource.
func (e bundleEntry) path() string {
	if e.index < 0 {
		return e.resource.Str("resourceType")
	}
	return fmt.Sprintf("Bundle.entry[%d].resource", e.index)
}

// envelope is what was sent, taken apart.
type envelope struct {
	doc     *tree.Document
	entries []bundleEntry
	faults  map[int][]outcome.Issue // errors by entry index, from the validator
	issues  []outcome.Issue         // errors of the whole
}

func openEnvelope(doc *tree.Document, found []outcome.Issue) *envelope {
	e := &envelope{doc: doc, faults: map[int][]outcome.Issue{}}
	if doc.Root.Str("resourceType") != "Bundle" {
		e.entries = []bundleEntry{{index: -1, resource: doc.Root}}
	} else {
		i := 0
		for n := range doc.Root.Get("entry").Items() {
			if r := n.Get("resource"); r.Is(tree.Object) {
				e.entries = append(e.entries, bundleEntry{index: i, fullURL: n.Str("fullUrl"), resource: r})
			}
			i++
		}
	}
	for _, i := range found {
		e.file(i)
	}
	return e
}

// file puts an issue of the validator to its entry, or to the whole.
func (e *envelope) file(i outcome.Issue) {
	if !outcome.HasErrors([]outcome.Issue{i}) {
		return
	}
	index := -1
	if rest, ok := strings.CutPrefix(i.Expression, "Bundle.entry["); ok {
		if _, err := fmt.Sscanf(rest, "%d]", &index); err != nil {
			index = -1
		}
	}
	if index < 0 && e.doc.Root.Str("resourceType") == "Bundle" {
		e.issues = append(e.issues, i)
		return
	}
	e.faults[index] = append(e.faults[index], i)
}

// find gives the entry that a reference means, nil if none does.
func (e *envelope) find(ref string) *bundleEntry {
	for i := range e.entries {
		if e.entries[i].named(ref) {
			return &e.entries[i]
		}
	}
	return nil
}

// ofType gives the entries of a resource type.
func (e *envelope) ofType(kind string) []*bundleEntry {
	var found []*bundleEntry
	for i := range e.entries {
		if e.entries[i].resource.Str("resourceType") == kind {
			found = append(found, &e.entries[i])
		}
	}
	return found
}

// reader reads an entry's resource.
func (e *envelope) reader(b *bundleEntry) *reader {
	return newReader(e.doc, b.resource, b.path())
}
