package validate

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// rule is a profile's rule made ready.
type rule struct {
	def        *definitions.Rule
	invariants []invariant
	binding    *binding
	weak       *binding // binding where it is applied to a choice of several types
	children   []*rule
	slices     []*rule
	keys       []key // what tells the slices apart
}

// item is one value of an element within a profile's walk.
type item struct {
	m         *member
	node, ext *tree.Node
	index     int // -1 when the element does not repeat
}

// profile gives a profile by canonical URL, nil when it is not known.
func (v *Validator) profile(url string) *definitions.Profile {
	if p := v.profiles[definitions.WithoutVersion(url)]; p != nil {
		return p
	}
	return v.schema.set.Profile(url)
}

func (v *Validator) rule(p *definitions.Profile) *rule {
	if r, ok := v.rules.Load(p); ok {
		return r.(*rule)
	}
	r, _ := v.rules.LoadOrStore(p, v.buildRule(p.Root))
	return r.(*rule)
}

func (v *Validator) buildRule(def *definitions.Rule) *rule {
	r := &rule{def: def, invariants: compileAll(def.Constraints), binding: v.schema.binding(def.Binding)}
	for _, c := range def.Children {
		r.children = append(r.children, v.buildRule(c))
	}
	for _, s := range def.Slices {
		r.slices = append(r.slices, v.buildRule(s))
	}
	if r.binding != nil {
		r.weak = &binding{set: r.binding.set, limit: r.binding.limit}
	}
	if def.Slicing != nil {
		for _, d := range def.Slicing.Discriminators {
			r.keys = append(r.keys, newKey(d, r.slices))
		}
	}
	return r
}

// profilesOf applies the profiles that a resource claims, that its type requires, that
// are selected for it, and that R4 itself requires of vital signs.
func (w *walker) profilesOf(n *tree.Node, t *typ) {
	var done []string
	apply := func(url string, at *tree.Node) {
		if url == "" {
			return
		}
		p := w.v.profile(url)
		switch {
		case p == nil:
			w.noProfile(url, at, t)
			return
		case slices.Contains(done, p.URL):
			return
		case p.Type != t.def.Name:
			w.errorf(at, "meta", outcome.CodeInvalid, "profile", "the profile %q is for a %s", clip(url), p.Type)
			return
		}
		done = append(done, p.URL)
		w.applyProfile(p, item{m: t.self, node: n})
	}
	for claimed := range n.Get("meta").Get("profile").Items() {
		apply(claimed.Text, claimed)
	}
	for _, url := range w.v.options.Require[t.def.Name] {
		apply(url, nil)
	}
	if t.def.Name == "Observation" {
		for c := range n.Get("code").Get("coding").Items() {
			apply(vitalSign(c), nil)
			if len(w.v.options.Coded) > 0 {
				apply(w.v.options.Coded[codingText(c)], nil)
			}
		}
	}
	if w.v.options.Select != nil {
		apply(w.v.options.Select(n), nil)
	}
}

// noProfile reports a claim that no profile at hand answers to; that of the
// resource's own type needs none.
func (w *walker) noProfile(url string, at *tree.Node, t *typ) {
	name := baseType(url)
	switch {
	case t.def.Is(name):
	case w.v.schema.set.Type(name) != nil:
		w.errorf(at, "meta", outcome.CodeInvalid, "profile", "the profile %q is for a %s", clip(url), name)
	default:
		w.informf(at, "meta", outcome.CodeInformational, "profile", "the profile %q is not known here: it was not checked", clip(url))
	}
}

func baseType(url string) string {
	const base = "http://hl7.org/fhir/StructureDefinition/"
	bare := definitions.WithoutVersion(url)
	if len(bare) > len(base) && bare[:len(base)] == base {
		return bare[len(base):]
	}
	return ""
}

// vitalSign gives the profile that an Observation with this LOINC code SHALL fit
// (hl7.org/fhir/R4/observation-vitalsigns.html), "" when there is none.
func vitalSign(coding *tree.Node) string {
	if coding.Str("system") != "http://loinc.org" {
		return ""
	}
	const base = "http://hl7.org/fhir/StructureDefinition/"
	switch coding.Str("code") {
	case "85353-1":
		return base + "vitalspanel"
	case "9279-1":
		return base + "resprate"
	case "8867-4":
		return base + "heartrate"
	case "2708-6":
		return base + "oxygensat"
	case "8310-5":
		return base + "bodytemp"
	case "8302-2":
		return base + "bodyheight" //nolint:misspell // the profile's published name
	case "9843-4":
		return base + "headcircum"
	case "29463-7":
		return base + "bodyweight"
	case "39156-5":
		return base + "bmi"
	case "85354-9":
		return base + "bp"
	}
	return ""
}

// typeProfiles applies the profile that an element's type must fit, such as
// SimpleQuantity, when there is only one to choose.
func (w *walker) typeProfiles(m *member, value *tree.Node) {
	if len(m.def.Ref.Profiles) != 1 || m.typ == nil {
		return
	}
	if p := w.v.profile(m.def.Ref.Profiles[0]); p != nil && p.Type == m.def.Type.Name {
		w.applyProfile(p, item{m: m.typ.self, node: value, index: -1})
	}
}

// applyProfile checks a value, at the current path, against a profile of its type.
func (w *walker) applyProfile(p *definitions.Profile, it item) {
	if p.Base != "" {
		if base := w.v.profile(p.Base); base != nil {
			w.applyProfile(base, it)
		}
	}
	name, advice := w.profileName, w.advice
	w.profileName, w.advice = p.Name, ""
	if w.v.options.Advise && w.v.profiles[p.URL] == p {
		w.advice = p.URL
	}
	w.applyRule(w.v.rule(p), it)
	w.profileName, w.advice = name, advice
}

// applyRule checks one value against a rule and what is below it.
func (w *walker) applyRule(r *rule, it item) {
	at := firstOf(it.node, it.ext)
	if len(r.def.Types) > 0 && it.m.element != nil && !w.typeAllowed(r, it) {
		return
	}
	if r.def.Fixed != nil && !sameValue(r.def.Fixed, it.node) {
		w.errorf(at, "", outcome.CodeValue, "fixed", "the value must be %s (profile %s)", valueText(r.def.Fixed), w.profileName)
	}
	if r.def.Pattern != nil && !hasPattern(r.def.Pattern, it.node) {
		w.errorf(at, "", outcome.CodeValue, "pattern", "the value must contain %s (profile %s)", valueText(r.def.Pattern), w.profileName)
	}
	if r.binding != nil && it.node != nil {
		w.coded(r.bindingFor(it), it.m, it.node)
	}
	if len(r.invariants) > 0 {
		w.invariants(r.invariants, fhirpath.Element(it.m.def, it.node, it.ext), at)
	}
	for _, c := range r.children {
		w.child(c, it)
	}
}

// bindingFor weakens a required binding on a choice of several types: HL7's own
// test cases obs-fio2 and obs-vital-signs-mdc accept values outside the units that
// oxygensat binds its components to.
func (r *rule) bindingFor(it item) *binding {
	if it.m.element == nil || !it.m.element.def.Choice || len(r.def.Types) == 1 {
		return r.binding
	}
	return r.weak
}

// child checks all values of one element below a value.
func (w *walker) child(r *rule, parent item) {
	mark := len(w.stack)
	defer w.cut(mark)
	w.children(parent, r.def.Name)
	items := w.stack[mark:]
	at := firstOf(parent.node, parent.ext)
	w.count(r, len(items), at, r.def.Name)
	for _, it := range items {
		w.at(it, func() { w.applyRule(r, it) })
	}
	if r.def.Slicing != nil {
		w.slice(r, items, at)
	}
}

// at runs do with the path of an item.
func (w *walker) at(it item, do func()) {
	w.path = append(w.path, step{it.m.label, it.index})
	do()
	w.path = w.path[:len(w.path)-1]
}

func (w *walker) count(r *rule, n int, at *tree.Node, name string) {
	most := r.def.Max
	if n >= r.def.Min && (most == nil || n <= *most) {
		return
	}
	what := name
	if r.def.SliceName != "" {
		what = name + " (slice " + r.def.SliceName + ")"
	}
	switch {
	case n == 0 && r.def.Min == 1:
		w.errorf(at, name, outcome.CodeRequired, "profile", "%s is required: add it (profile %s)", what, w.profileName)
	case n < r.def.Min:
		w.errorf(at, name, outcome.CodeRequired, "profile", "%s is required at least %d times, it is there %d times (profile %s)",
			what, r.def.Min, n, w.profileName)
	case *most == 0:
		w.errorf(at, name, outcome.CodeStructure, "profile", "%s is not allowed here (profile %s)", what, w.profileName)
	default:
		w.errorf(at, name, outcome.CodeStructure, "profile", "%s is allowed at most %d times, it is there %d times (profile %s)",
			what, *most, n, w.profileName)
	}
}

// children puts the values of an element, by its name without "[x]", on the stack of
// items; whoever calls it cuts the stack back.
func (w *walker) children(parent item, name string) {
	holder := parent.node
	if parent.m.kind == primitiveValue {
		holder = parent.ext
	}
	if parent.m.shape == nil || !holder.Is(tree.Object) {
		return
	}
	for c := holder.First(); c != nil; c = c.Next() {
		value, ext, bare := c, (*tree.Node)(nil), c.Name
		if len(bare) > 1 && bare[0] == '_' {
			value, ext, bare = nil, c, bare[1:]
		}
		if !strings.HasPrefix(bare, name) {
			continue
		}
		m := parent.m.shape.members.get(bare)
		if m == nil || m.element.def.Name != name {
			continue
		}
		switch {
		case value == nil && holder.Get(bare) != nil:
			continue // met with its value
		case value != nil && m.kind == primitiveValue:
			ext = holder.Companion(bare)
		}
		w.push(m, value, ext)
	}
}

func (w *walker) push(m *member, value, ext *tree.Node) {
	if !value.Is(tree.Array) && !ext.Is(tree.Array) {
		w.stack = append(w.stack, item{m, value, ext, -1})
		return
	}
	v, x := value.First(), ext.First()
	for i := 0; v != nil || x != nil; i++ {
		w.stack = append(w.stack, item{m, notNull(v), notNull(x), i})
		v, x = v.Next(), x.Next()
	}
}

// cut takes items off the stack.
func (w *walker) cut(mark int) { w.stack = w.stack[:mark] }

func notNull(n *tree.Node) *tree.Node {
	if n.Is(tree.Null) {
		return nil
	}
	return n
}

// typeAllowed checks the type of a choice and the target of a reference.
func (w *walker) typeAllowed(r *rule, it item) bool {
	name := it.m.def.Type.Name
	for i := range r.def.Types {
		t := &r.def.Types[i]
		if t.Code != name {
			continue
		}
		if it.m.reference {
			w.targetAllowed(t.Targets, w.targetType(it.node.Str("reference")), it.node)
		}
		return true
	}
	if it.m.element.def.Choice {
		w.errorf(firstOf(it.node, it.ext), "", outcome.CodeStructure, "profile", "a %s is not allowed here (profile %s)", name, w.profileName)
		return false
	}
	return true
}
