package validate

import (
	"slices"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// slice sorts the items of an element into the slices of a rule and checks each
// slice's count and its items.
func (w *walker) slice(r *rule, items []item, at *tree.Node) {
	base := w.pushCounts(len(r.slices))
	last, unmatched := 0, false
	for _, it := range items {
		i := w.sliceOf(r, it)
		if i < 0 {
			unmatched = true
			w.at(it, func() { w.outside(r, it) })
			continue
		}
		if unmatched && r.def.Slicing.OpenAtEnd || r.def.Slicing.Ordered && i < last {
			w.at(it, func() {
				w.errorf(it.node, "", outcome.CodeStructure, "slicing", "the slice %s stands in the wrong order (profile %s)",
					r.slices[i].def.SliceName, w.profileName)
			})
		}
		last = i
		w.counts[base+i]++
		w.at(it, func() { w.applyRule(r.slices[i], it) })
	}
	for i, s := range r.slices {
		w.count(s, int(w.counts[base+i]), at, r.def.Name)
	}
	w.counts = w.counts[:base]
}

func (w *walker) outside(r *rule, it item) {
	if r.def.Slicing.Closed {
		w.errorf(firstOf(it.node, it.ext), "", outcome.CodeStructure, "slicing", "this fits none of the slices that are allowed (profile %s)", w.profileName)
	}
}

// key is a discriminator with what each slice has at its path.
type key struct {
	kind   string
	path   []string
	slices []expectation
}

// expectation is what a slice says at the path of a discriminator.
type expectation struct {
	rules []*rule
	wants []want // values that are fixed
}

func newKey(d definitions.Discriminator, slices []*rule) key {
	k := key{kind: d.Type}
	if d.Path != "$this" {
		k.path = strings.Split(d.Path, ".")
	}
	for _, s := range slices {
		k.slices = append(k.slices, expectation{
			rules: ruleAt([]*rule{s}, k.path), wants: expected([]*rule{s}, k.path),
		})
	}
	return k
}

// sliceOf gives the index of the slice that an item belongs to, -1 when there is none.
func (w *walker) sliceOf(r *rule, it item) int {
	if len(r.keys) == 0 {
		return -1
	}
	for i := range r.slices {
		fits := true
		for k := range r.keys {
			fits = fits && w.discriminates(&r.keys[k], r.slices[i], i, it)
		}
		if fits {
			return i
		}
	}
	return -1
}

// discriminates reports whether an item is what a slice, the i-th, has at the key.
func (w *walker) discriminates(k *key, s *rule, i int, it item) bool {
	mark := len(w.stack)
	defer w.cut(mark)
	found := w.follow(it, k.path)
	here := &k.slices[i]
	switch k.kind {
	case "type":
		return typeFits(here.rules, found)
	case "exists":
		for _, r := range here.rules {
			return (len(found) > 0) == (r.def.Max == nil || *r.def.Max > 0)
		}
		return len(found) > 0
	case "value", "pattern":
		return w.valueFits(k, s, here, found)
	case "profile":
		return w.profileFits(k, s, here, found)
	}
	return false
}

func typeFits(rules []*rule, found []item) bool {
	for _, it := range found {
		for _, r := range rules {
			for _, t := range r.def.Types {
				if t.Code == it.typeName() {
					return true
				}
			}
		}
	}
	return false
}

// typeName is the type of the value itself: of a resource, the one that it says.
func (it item) typeName() string {
	if it.m.kind == resourceValue {
		return it.node.Str("resourceType")
	}
	return it.m.def.Type.Name
}

// valueFits reports whether a found value is one that the slice fixes at the path, or,
// where it fixes none, one that its required binding has.
func (w *walker) valueFits(k *key, s *rule, here *expectation, found []item) bool {
	wants := here.wants
	if slices.Contains(k.path, "resolve()") {
		wants = w.wantsBeyond(s, k.path)
	}
	for _, it := range found {
		if it.node == nil {
			continue
		}
		for _, want := range wants {
			if want.exact && sameValue(want.node, it.node) || !want.exact && hasPattern(want.node, it.node) {
				return true
			}
		}
		if len(wants) > 0 {
			continue
		}
		for _, r := range here.rules {
			if r.binding != nil && r.binding.required && r.binding.set != nil && inSet(r.binding.set, it) {
				return true
			}
		}
		if len(k.path) == 1 && k.path[0] == "url" && extensionURL(s) != "" {
			return it.node.Text == extensionURL(s)
		}
	}
	return false
}

// wantsBeyond gives what a slice fixes beyond resolve(), which the profiles of the
// reference's targets say.
func (w *walker) wantsBeyond(s *rule, path []string) []want {
	i := slices.Index(path, "resolve()")
	var out []want
	for _, r := range ruleAt([]*rule{s}, path[:i]) {
		for _, t := range r.def.Types {
			for _, target := range t.Targets {
				if p := w.v.profile(definitions.StructureURL(target)); p != nil {
					out = append(out, expected([]*rule{w.v.rule(p)}, path[i+1:])...)
				}
			}
		}
	}
	return out
}

func inSet(set *definitions.ValueSet, it item) bool {
	switch it.m.def.Type.Name {
	case "code", "string", "uri":
		return set.HasCode(it.node.Text)
	case "Coding":
		return codingIn(set, it.node)
	case "CodeableConcept":
		for c := range it.node.Get("coding").Items() {
			if codingIn(set, c) {
				return true
			}
		}
	}
	return false
}

// extensionURL gives the url of an extension slice, which its type's profile names.
func extensionURL(s *rule) string {
	for _, t := range s.def.Types {
		if t.Code == "Extension" && len(t.Profiles) == 1 {
			return t.Profiles[0]
		}
	}
	return ""
}

// follow goes from an item along element names; resolve() follows references. What it
// finds is on the stack, which whoever calls it cuts back.
func (w *walker) follow(it item, path []string) []item {
	from := len(w.stack)
	w.stack = append(w.stack, it)
	for _, name := range path {
		to := len(w.stack)
		for _, it := range w.stack[from:to] {
			if name != "resolve()" {
				w.children(it, name)
				continue
			}
			if n := w.find(it.node.Str("reference")); n != nil {
				if t := w.v.schema.typ(n.Str("resourceType")); t != nil {
					w.stack = append(w.stack, item{m: t.self, node: n, index: -1})
				}
			}
		}
		from = to
	}
	return w.stack[from:]
}

// ruleAt gives the rules at a path below some rules, those of slices included.
func ruleAt(rules []*rule, path []string) []*rule {
	for _, name := range path {
		var next []*rule
		for _, r := range rules {
			for _, c := range r.children {
				if c.def.Name == name {
					next = append(append(next, c), c.slices...)
				}
			}
		}
		rules = next
	}
	return rules
}

// want is a value that a slice fixes, whole or as a pattern.
type want struct {
	node  *tree.Node
	exact bool
}

// expected gives the values fixed at a path, also by a pattern further up.
func expected(rules []*rule, path []string) []want {
	var out []want
	for _, r := range rules {
		if r.def.Fixed != nil {
			out = append(out, below(want{r.def.Fixed, true}, path)...)
		}
		if r.def.Pattern != nil {
			out = append(out, below(want{r.def.Pattern, false}, path)...)
		}
		if len(path) == 0 {
			continue
		}
		for _, c := range r.children {
			if c.def.Name == path[0] {
				out = append(out, expected(append([]*rule{c}, c.slices...), path[1:])...)
			}
		}
	}
	return out
}

func below(w want, path []string) []want {
	if len(path) == 0 {
		return []want{w}
	}
	var out []want
	for n := range w.node.Get(path[0]).Items() {
		out = append(out, below(want{n, w.exact}, path[1:])...)
	}
	return out
}

// sameValue compares a fixed value with an instance: all members, arrays in order,
// decimals with their precision apart (1.0 is 1).
func sameValue(a, b *tree.Node) bool {
	if a == nil || b == nil || a.Kind != b.Kind || a.Len() != b.Len() {
		return false
	}
	switch a.Kind {
	case tree.Object:
		for c := a.First(); c != nil; c = c.Next() {
			if !sameValue(c, b.Get(c.Name)) {
				return false
			}
		}
		return true
	case tree.Array:
		for x, y := a.First(), b.First(); x != nil; x, y = x.Next(), y.Next() {
			if !sameValue(x, y) {
				return false
			}
		}
		return true
	case tree.Number:
		return a.Text == b.Text || sameNumber(a.Text, b.Text)
	case tree.Absent, tree.Null, tree.Bool, tree.String:
	}
	return a.Text == b.Text
}

func sameNumber(a, b string) bool {
	x, _, errX := apd.NewFromString(a)
	y, _, errY := apd.NewFromString(b)
	return errX == nil && errY == nil && x.Cmp(y) == 0
}

// hasPattern reports whether an instance has all that a pattern has; each item of
// an array in the pattern fits some item of the instance.
func hasPattern(pattern, n *tree.Node) bool {
	if pattern == nil || n == nil || pattern.Kind != n.Kind {
		return false
	}
	switch pattern.Kind {
	case tree.Object:
		for c := pattern.First(); c != nil; c = c.Next() {
			if !hasPattern(c, n.Get(c.Name)) {
				return false
			}
		}
		return true
	case tree.Array:
		for c := pattern.First(); c != nil; c = c.Next() {
			if !anyHas(c, n) {
				return false
			}
		}
		return true
	case tree.Absent, tree.Null, tree.Bool, tree.Number, tree.String:
	}
	return sameValue(pattern, n)
}

func anyHas(pattern, list *tree.Node) bool {
	for c := list.First(); c != nil; c = c.Next() {
		if hasPattern(pattern, c) {
			return true
		}
	}
	return false
}

// valueText shows a fixed value or a pattern in an issue.
func valueText(n *tree.Node) string {
	switch n.Kind {
	case tree.Object:
		var parts []string
		for c := n.First(); c != nil; c = c.Next() {
			parts = append(parts, c.Name+" "+valueText(c))
		}
		return strings.Join(parts, ", ")
	case tree.Array:
		var parts []string
		for c := n.First(); c != nil; c = c.Next() {
			parts = append(parts, valueText(c))
		}
		return strings.Join(parts, " and ")
	case tree.Absent, tree.Null, tree.Bool, tree.Number, tree.String:
	}
	return `"` + clip(n.Text) + `"`
}
