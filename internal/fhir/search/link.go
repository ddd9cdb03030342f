package search

import (
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// Link is what a resource refers to under a reference parameter: a resource of this
// server by Type and ID, with the Version that it names or 0; or a canonical by URL, with
// the business version that it names or "".
type Link struct {
	Param           string
	Type, ID        string
	Version         int64
	URL             string
	BusinessVersion string
}

// Links gives what a resource refers to under these reference parameters of its type, in
// their order and that of the elements. References to other servers, into the resource
// itself and by identifier alone lead nowhere and are not in it.
func Links(resourceType string, body []byte, codes ...string) []Link {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return nil
	}
	var out []Link
	for _, code := range codes {
		p, ok := find(resourceType, code)
		if !ok || p.Kind != Reference {
			continue
		}
		for _, path := range p.paths {
			path.each(doc.Root, func(n *tree.Node) {
				if l, ok := linkOf(n); ok {
					l.Param = code
					out = append(out, l)
				}
			})
		}
	}
	return out
}

func linkOf(n *tree.Node) (Link, bool) {
	if n.Is(tree.String) {
		url, version, _ := strings.Cut(n.Text, "|")
		return Link{URL: url, BusinessVersion: version}, url != ""
	}
	literal := n.Str("reference")
	resourceType, id, ok := localReference(literal)
	if !ok {
		return Link{}, false
	}
	l := Link{Type: resourceType, ID: id}
	if _, version, versioned := strings.Cut(literal, "/_history/"); versioned {
		number, err := strconv.ParseInt(version, 10, 64)
		if err != nil || number < 1 {
			return Link{}, false // no version of ours
		}
		l.Version = number
	}
	return l, true
}

// Canonical gives the URL and the business version that a resource is known by
// (hl7.org/fhir/R4/references.html#canonical), "" where it says none.
func Canonical(body []byte) (url, version string) {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return "", ""
	}
	return doc.Root.Str("url"), doc.Root.Str("version")
}
