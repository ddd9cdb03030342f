package validate

import (
	"crypto/sha1" // what R4 asks for; it protects nothing
	"encoding/base64"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// extensionRules is ext-1, the form of the url, and what a known extension's own
// definition says.
func (w *walker) extensionRules(n *tree.Node) {
	nested, value := n.Get("extension") != nil, false
	for c := n.First(); c != nil; c = c.Next() {
		value = value || strings.HasPrefix(strings.TrimPrefix(c.Name, "_"), "value")
	}
	if nested == value {
		w.errorf(n, "", outcome.CodeInvariant, "ext-1", "Must have either extensions or value[x], not both")
	}
	url := n.Get("url")
	if url == nil || url.Kind != tree.String {
		return
	}
	inExtension := len(w.path) > 1 && strings.HasSuffix(w.path[len(w.path)-2].label.name, "xtension")
	if !absolute(url.Text) && !inExtension {
		w.errorf(url, "url", outcome.CodeInvalid, "extension-url", "%q is not absolute: the url names the extension's definition", clip(url.Text))
		return
	}
	if p := w.v.profile(url.Text); p != nil && p.Type == "Extension" {
		w.applyProfile(p, item{m: w.v.schema.typ("Extension").self, node: n})
	}
}

// attachment holds size and hash to their definitions where the data stand beside them
// (hl7.org/fhir/R4/datatypes-definitions.html#Attachment). Size: "The number of bytes of
// data that make up this attachment (before base64 encoding, if that is done)." Hash:
// "The calculated hash of the data using SHA-1. Represented using base64", "calculated
// on the data prior to base64 encoding".
func (w *walker) attachment(n *tree.Node) {
	size, hash, data := n.Get("size"), n.Get("hash"), n.Get("data")
	if size == nil && hash == nil || !data.Is(tree.String) || base64Binary(data.Text) != "" {
		return
	}
	got, err := base64.StdEncoding.DecodeString(withoutBlanks(data.Text))
	if err != nil {
		return // base64Binary read it, so only the unused bits of its last character can be wrong
	}
	if size.Is(tree.Number) && size.Text != strconv.Itoa(len(got)) {
		w.errorf(size, "size", outcome.CodeInvalid, "attachment-size", "size says %s bytes, the data have %d", clip(size.Text), len(got))
	}
	if !hash.Is(tree.String) {
		return
	}
	sum := sha1.Sum(got)
	if want := base64.StdEncoding.EncodeToString(sum[:]); withoutBlanks(hash.Text) != want {
		w.errorf(hash, "hash", outcome.CodeInvalid, "attachment-hash", "%q is not the SHA-1 of the data in base64, which is %q", clip(hash.Text), want)
	}
}

func withoutBlanks(s string) string { return strings.Join(strings.Fields(s), "") }

// domainRules is dom-2 to dom-5 (and dom-6, a best practice, when asked for).
func (w *walker) domainRules(n *tree.Node) {
	if n.Get("text").Get("div") == nil && w.v.options.BestPractice && !w.contained {
		w.warnf(n, "", outcome.CodeInvariant, "dom-6", "A resource should have narrative for robust management")
	}
	list := n.Get("contained")
	if list == nil {
		return
	}
	if w.contained {
		w.errorf(list, "contained", outcome.CodeInvariant, "dom-2", "If the resource is contained in another resource, it SHALL NOT contain nested Resources")
		return
	}
	named := map[string]bool{}
	localNames(n, named)
	i := 0
	for c := range list.Items() {
		w.path = append(w.path, step{&label{name: "contained"}, i})
		w.containedRules(c, named)
		w.path = w.path[:len(w.path)-1]
		i++
	}
}

// containedRules checks one contained resource; named holds every "#id" in the
// resource around it.
func (w *walker) containedRules(c *tree.Node, named map[string]bool) {
	meta := c.Get("meta")
	if meta.Get("versionId") != nil || meta.Get("lastUpdated") != nil {
		w.errorf(meta, "meta", outcome.CodeInvariant, "dom-4", "If a resource is contained in another resource, it SHALL NOT have a meta.versionId or a meta.lastUpdated")
	}
	if meta.Get("security") != nil {
		w.errorf(meta, "meta", outcome.CodeInvariant, "dom-5", "If a resource is contained in another resource, it SHALL NOT have a security label")
	}
	id := c.Str("id")
	if id != "" && named["#"+id] || namesContainer(c) {
		return
	}
	w.errorf(c, "", outcome.CodeInvariant, "dom-3",
		"the contained resource %q is not referred to from the resource around it, nor refers to it: refer to it or leave it out", clip(id))
}

// localNames collects the strings that start with "#". Only references, canonicals
// and uris name a contained resource so; no other string of R4 is written like it.
func localNames(n *tree.Node, into map[string]bool) {
	if n.Kind == tree.String && strings.HasPrefix(n.Text, "#") {
		into[n.Text] = true
	}
	for c := n.First(); c != nil; c = c.Next() {
		localNames(c, into)
	}
}

// namesContainer reports whether "#", the resource around, is referred to.
func namesContainer(n *tree.Node) bool {
	if n.Kind == tree.String {
		return n.Text == "#"
	}
	for c := n.First(); c != nil; c = c.Next() {
		if namesContainer(c) {
			return true
		}
	}
	return false
}
