package validate

import (
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// bundle is a Bundle around the current resource; its index is made when a
// reference is first looked up.
type bundle struct {
	node  *tree.Node
	outer *bundle
	index map[string]*tree.Node
}

// find gives the resource of the entry that a reference names: by fullUrl, or by
// type and id where the fullUrls are RESTful (hl7.org/fhir/R4/bundle.html#references).
func (b *bundle) find(set *definitions.Set, ref string) *tree.Node {
	if b.index == nil {
		b.index = map[string]*tree.Node{}
		for e := range b.node.Get("entry").Items() {
			resource, url := e.Get("resource"), e.Str("fullUrl")
			if resource == nil {
				continue
			}
			if url != "" {
				b.index[url] = resource
			}
			if t, id := restful(set, url); t != "" {
				b.index[t+"/"+id] = resource
			}
		}
	}
	if before, _, ok := strings.Cut(ref, "/_history/"); ok {
		ref = before
	}
	return b.index[ref]
}

// bundleRules checks what R4 says of Bundles in words beside the bdl invariants.
func (w *walker) bundleRules(n *tree.Node) {
	w.links(n)
	kind := n.Str("type")
	switch kind {
	case "document":
		w.documentRules(n)
	case "message":
		w.messageRules(n)
	}
	i := 0
	for e := range n.Get("entry").Items() {
		w.path = append(w.path, step{&label{name: "entry"}, i})
		w.fullURL(e)
		if e.Get("fullUrl") == nil && e.Get("resource") != nil && wantsFullURL(kind) {
			w.warnf(e, "", outcome.CodeRequired, "fullUrl", "the entry has no fullUrl: give it one, as references within the Bundle rest on it")
		}
		if kind == "searchset" {
			w.searchEntry(e)
		}
		w.path = w.path[:len(w.path)-1]
		i++
	}
}

// fullURL holds Bundle.entry.fullUrl to its definition: absolute and not at odds
// with the resource: "if the fullUrl does look like a RESTful server URL […] then
// the 'id' portion of the fullUrl SHALL end with the Resource.id"
// (hl7.org/fhir/R4/bundle-definitions.html#Bundle.entry.fullUrl).
func (w *walker) fullURL(e *tree.Node) {
	url := e.Get("fullUrl")
	if url == nil || url.Kind != tree.String {
		return
	}
	if !absolute(url.Text) {
		w.errorf(url, "fullUrl", outcome.CodeInvalid, "fullUrl", "%q is not absolute: write the whole URL or urn:uuid:", clip(url.Text))
		return
	}
	resource := e.Get("resource")
	id := resource.Str("id")
	t, urlID := restful(w.v.schema.set, url.Text)
	if t == "" || id == "" || !strings.HasPrefix(url.Text, "http") {
		return
	}
	if !strings.HasSuffix(urlID, id) || t != resource.Str("resourceType") {
		w.errorf(url, "fullUrl", outcome.CodeInvalid, "fullUrl", "%q disagrees with the resource in it, %s/%s",
			clip(url.Text), clip(resource.Str("resourceType")), clip(id))
	}
}

// documentRules wants what the Composition refers to directly within the document
// (hl7.org/fhir/R4/documents.html#bundle).
func (w *walker) documentRules(n *tree.Node) {
	composition := n.Get("entry").At(0).Get("resource")
	if composition.Str("resourceType") != "Composition" {
		return // bdl-11 says so
	}
	w.path = append(w.path, step{&label{name: "entry"}, 0}, step{&label{name: "resource"}, -1})
	for _, name := range []string{"subject", "encounter", "author", "custodian"} {
		w.inBundle(composition, name, "document")
	}
	for a := range composition.Get("attester").Items() {
		w.inBundle(a, "party", "document")
	}
	w.sections(composition)
	w.path = w.path[:len(w.path)-2]
}

func (w *walker) sections(n *tree.Node) {
	for s := range n.Get("section").Items() {
		for _, name := range []string{"author", "focus", "entry"} {
			w.inBundle(s, name, "document")
		}
		w.sections(s)
	}
}

// messageRules wants what a message is about within it: "The transaction data is always
// included in the bundle that is the full message"
// (hl7.org/fhir/R4/messageheader-definitions.html#MessageHeader.focus).
func (w *walker) messageRules(n *tree.Node) {
	header := n.Get("entry").At(0).Get("resource")
	if header.Str("resourceType") != "MessageHeader" {
		return // bdl-12 says so
	}
	w.path = append(w.path, step{&label{name: "entry"}, 0}, step{&label{name: "resource"}, -1})
	w.inBundle(header, "focus", "message")
	w.path = w.path[:len(w.path)-2]
}

// inBundle reports references of an element that lead out of the Bundle, which is a
// document or a message.
func (w *walker) inBundle(n *tree.Node, name, what string) {
	for r := range n.Get(name).Items() {
		ref := r.Str("reference")
		if ref != "" && !strings.HasPrefix(ref, "#") && w.bundle.find(w.v.schema.set, ref) == nil {
			w.errorf(r, name, outcome.CodeRequired, what, "%q is not in the %s: add the resource, or correct the reference or the fullUrl", clip(ref), what)
		}
	}
}

// wantsFullURL names the types of Bundle in which an entry's fullUrl SHALL have a
// value; requests and answers to them need none.
func wantsFullURL(bundleType string) bool {
	switch bundleType {
	case "document", "message", "searchset", "history", "collection":
		return true
	}
	return false
}

// absolute reports whether a URL starts with a scheme (RFC 3986 section 3.1).
func absolute(url string) bool {
	for i := range len(url) {
		c := url[i]
		if c == ':' {
			return i > 0
		}
		if !isAlnum(c) && c != '+' && c != '-' && c != '.' || i == 0 && c <= '9' {
			return false
		}
	}
	return false
}

// searchEntry holds an entry of a searchset to the meaning of its search mode
// (hl7.org/fhir/R4/valueset-search-entry-mode.html).
func (w *walker) searchEntry(e *tree.Node) {
	resource := e.Get("resource")
	if resource == nil {
		return
	}
	name, mode := resource.Str("resourceType"), e.Get("search").Str("mode")
	if mode == "outcome" && name != "OperationOutcome" {
		w.errorf(e, "resource", outcome.CodeInvalid, "search-mode", "search mode outcome is for an OperationOutcome, this is a %s", clip(name))
	}
	if resource.Get("id") == nil && name != "OperationOutcome" && name != "Parameters" {
		w.errorf(e, "resource", outcome.CodeInvalid, "search-id", "a search result has been stored, so it must have an id")
	}
}

// links refuses two links of one of the relations that lead through a search.
func (w *walker) links(n *tree.Node) {
	seen := map[string]bool{}
	for l := range n.Get("link").Items() {
		relation := l.Str("relation")
		switch relation {
		case "self", "first", "previous", "prev", "next", "last":
		default:
			continue
		}
		if seen[relation] {
			w.errorf(l, "link", outcome.CodeInvalid, "bundle-link", "the link relation %s is there twice: keep one", relation)
		}
		seen[relation] = true
	}
}
