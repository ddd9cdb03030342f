package validate

import (
	"slices"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// walker goes once through a document. It is reused, one document at a time.
type walker struct {
	v        *Validator
	reader   tree.Reader
	doc      *tree.Document
	env      *fhirpath.Env
	html     xhtmlReader
	path     []step
	counts   []int32
	stack    []item // values that profiles look at
	text     []byte // room for an expression
	reported []placed
	errors   int
	remarks  int  // warnings and information
	full     bool // there are more errors than were reported

	unknown                  int    // remarks on unknown code systems
	lastUnknown, unknownSays string // the last such system, and what was said of it

	trials map[trial]bool // what was tried against a profile, and whether it fits
	trying *bool          // set when the value that is tried has a fault; nil when none is

	surroundings
	profileName string // profile being applied
	advice      string // its URL when its faults are warnings
}

func newWalker(v *Validator) *walker {
	w := &walker{v: v, env: &fhirpath.Env{Set: v.schema.set}}
	w.env.Resolve = w.resolveValue
	w.env.HTML = func(s string) bool { return w.html.fault(s) == "" }
	return w
}

// check walks a document; parsed are the faults of its JSON.
func (w *walker) check(doc *tree.Document, parsed []outcome.Issue) []outcome.Issue {
	w.doc = doc
	for _, i := range parsed {
		w.reported = append(w.reported, placed{issue: i, offset: -1})
	}
	w.root(doc.Root)
	return w.result()
}

// end makes the walker ready for another document and lets go of this one, so that the
// pool does not hold it.
func (w *walker) end() {
	clear(w.reported)
	clear(w.stack[:cap(w.stack)])
	w.path, w.counts, w.stack, w.reported = w.path[:0], w.counts[:0], w.stack[:0], w.reported[:0]
	w.errors, w.remarks, w.full, w.unknown, w.lastUnknown = 0, 0, false, 0, ""
	w.doc, w.trials, w.surroundings = nil, nil, surroundings{}
	w.env.Release()
	w.html.release()
	w.reader.Release()
}

// root walks the outermost resource.
func (w *walker) root(n *tree.Node) {
	name := n.Str("resourceType")
	if name == "" {
		name = "Resource"
	}
	w.path = append(w.path, step{&label{name: name}, -1})
	w.resource(n, nil)
}

// resource walks a resource of any type at the current path; in names the types
// that are allowed, none meaning all.
func (w *walker) resource(n *tree.Node, in *member) {
	t := w.resourceType(n)
	if t == nil {
		return
	}
	outer := w.surroundings
	w.enter(n, t, in != nil && in.def.Element.Name == "contained")
	w.object(n, t.shape)
	w.invariants(t.rules, fhirpath.Element(t.def.Self, n, nil), n)
	if t.def.Is("DomainResource") {
		w.domainRules(n)
	}
	if t.def.Name == "Bundle" {
		w.bundleRules(n)
	}
	w.profilesOf(n, t)
	w.leave(outer)
}

// resourceType finds the type of a resource, reporting what is wrong with it.
func (w *walker) resourceType(n *tree.Node) *typ {
	if n.Kind != tree.Object {
		w.errorf(n, "", outcome.CodeStructure, "type", "a resource is an object, this is a %s", n.Kind)
		return nil
	}
	name := n.Get("resourceType")
	if name == nil || name.Kind != tree.String || name.Text == "" {
		w.errorf(n, "", outcome.CodeStructure, "resourceType", "resourceType is missing: name the type of the resource")
		return nil
	}
	t := w.v.schema.typ(name.Text)
	if t == nil || t.def.Kind != definitions.Resource || t.def.Abstract {
		w.errorf(name, "", outcome.CodeStructure, "resourceType", "R4 has no resource type %q", clip(name.Text))
		return nil
	}
	return t
}

// surroundings are what the current resource is, and is in.
type surroundings struct {
	locals         map[string]*tree.Node // contained resources by id, made when first needed
	container      *tree.Node            // the resource that a contained one is in, else the resource itself
	bundle         *bundle               // innermost Bundle around the resource, nil when there is none
	contained      bool
	resource, root fhirpath.Value // %resource and %rootResource
}

// enter makes the resource the current one; contained means in the one that is.
func (w *walker) enter(n *tree.Node, t *typ, contained bool) {
	w.surroundings.resource = fhirpath.Element(t.def.Self, n, nil)
	if contained {
		w.contained = true
	} else {
		w.container, w.contained, w.locals = n, false, nil
		w.surroundings.root = w.surroundings.resource
	}
	if t.def.Name == "Bundle" {
		w.bundle = &bundle{node: n, outer: w.bundle}
	}
	w.env.Resource, w.env.RootResource = w.surroundings.resource, w.surroundings.root
}

// leave goes back to the resource around.
func (w *walker) leave(outer surroundings) {
	w.surroundings = outer
	w.env.Resource, w.env.RootResource = outer.resource, outer.root
}

// object walks the members of an object.
func (w *walker) object(n *tree.Node, s *shape) {
	base := w.pushCounts(len(s.elements))
	companions := n.HasCompanions()
	for c := n.First(); c != nil; c = c.Next() {
		w.memberOf(n, c, s, base, companions)
	}
	for _, e := range s.required {
		if int(w.counts[base+e.index]) < e.def.Min {
			w.errorf(n, e.def.Name, outcome.CodeRequired, "cardinality", "%s is required: add it", elementName(e.def))
		}
	}
	for _, e := range s.bounded {
		w.atMost(n, e, int(w.counts[base+e.index]))
	}
	w.counts = w.counts[:base]
}

// pushCounts puts n zeros on the stack of counts and tells where they start.
func (w *walker) pushCounts(n int) (base int) {
	base = len(w.counts)
	w.counts = slices.Grow(w.counts, n)[:base+n]
	clear(w.counts[base:])
	return base
}

// memberOf walks one member of an object, with its "_name" companion where it has one.
func (w *walker) memberOf(n, c *tree.Node, s *shape, base int, companions bool) {
	name, value, ext := c.Name, c, (*tree.Node)(nil)
	if s.resource && name == "resourceType" {
		return
	}
	if companions && name != "" && name[0] == '_' {
		name, value, ext = name[1:], nil, c
	}
	m := s.members.get(name)
	if m != nil && value == nil && n.Get(name) != nil {
		return // walked with the value
	}
	if m == nil {
		w.errorf(c, "", outcome.CodeStructure, "unknown-element", "R4 has no element %q here: correct its name or leave it out", clip(c.Name))
		return
	}
	if companions && value != nil {
		ext = n.Companion(name)
	}
	if ext != nil && m.kind != primitiveValue && m.kind != narrativeValue {
		w.errorf(ext, name, outcome.CodeStructure, "companion", "%q is allowed beside a primitive only", clip(ext.Name))
		ext = nil
		if value == nil {
			return
		}
	}
	if w.counts[base+m.element.index] > 0 {
		w.errorf(c, "", outcome.CodeStructure, "choice", "%s has two values of different types: keep one", m.element.def.Name)
	}
	w.counts[base+m.element.index] += int32(w.values(m, value, ext))
}

// atMost checks that an element is not there too often. JSON's form, and the check for
// two values of a choice, see to it that one which does not repeat is there once.
func (w *walker) atMost(n *tree.Node, e *element, count int) {
	switch {
	case count <= e.def.Max:
	case e.def.Max == 0:
		w.errorf(n, e.def.Name, outcome.CodeStructure, "cardinality", "%s is not allowed here", elementName(e.def))
	default:
		w.errorf(n, e.def.Name, outcome.CodeStructure, "cardinality", "%s is allowed %d times at most, it is there %d times",
			elementName(e.def), e.def.Max, count)
	}
}

func elementName(e *definitions.Element) string {
	if e.Choice {
		return e.Name + "[x]"
	}
	return e.Name
}

// values walks the value or values of a member and counts them.
func (w *walker) values(m *member, value, ext *tree.Node) int {
	w.path = append(w.path, step{m.label, -1})
	n := w.valuesHere(m, value, ext)
	w.path = w.path[:len(w.path)-1]
	return n
}

func (w *walker) valuesHere(m *member, value, ext *tree.Node) int {
	if !m.element.def.Repeats() {
		return w.one(m, value, ext)
	}
	if value != nil && value.Kind != tree.Array || ext != nil && ext.Kind != tree.Array {
		w.errorf(firstOf(value, ext), "", outcome.CodeStructure, "array", "%s repeats, so its value must be an array: put it in [ ]", m.def.Name)
		return 1
	}
	return w.items(m, value, ext)
}

func firstOf(a, b *tree.Node) *tree.Node {
	if a != nil {
		return a
	}
	return b
}

func (w *walker) one(m *member, value, ext *tree.Node) int {
	if value.Is(tree.Array) || ext.Is(tree.Array) {
		w.errorf(firstOf(value, ext), "", outcome.CodeStructure, "array", "%s does not repeat, so its value must not be an array", m.def.Name)
		return 1
	}
	w.value(m, value, ext)
	return 1
}

// items walks an array and its companion side by side.
func (w *walker) items(m *member, value, ext *tree.Node) int {
	last := len(w.path) - 1
	v, x := value.First(), ext.First()
	n := 0
	for v != nil || x != nil {
		w.path[last].index = n
		w.item(m, v, x)
		v, x = v.Next(), x.Next()
		n++
	}
	return n
}

func (w *walker) item(m *member, v, x *tree.Node) {
	at := firstOf(v, x)
	if v.Is(tree.Null) {
		v = nil
	}
	if x.Is(tree.Null) {
		x = nil
	}
	switch {
	case v == nil && x == nil:
		w.errorf(at, "", outcome.CodeInvalid, "null", "an item must have a value or an extension: leave it out")
	case v.Is(tree.Array) || x.Is(tree.Array):
		w.errorf(at, "", outcome.CodeStructure, "array", "an array within an array is not allowed")
	default:
		w.value(m, v, x)
	}
}

// value checks one value of a member; either value or ext may be nil, not both.
func (w *walker) value(m *member, value, ext *tree.Node) {
	if value.Is(tree.Null) {
		return // the parser reported it
	}
	switch m.kind {
	case primitiveValue, narrativeValue:
		w.primitive(m, value, ext)
	case resourceValue:
		w.resource(value, m)
		return
	case complexValue:
		if value.Kind != tree.Object {
			w.errorf(value, "", outcome.CodeStructure, "type", "%s must be an object, it is a %s", m.def.Name, value.Kind)
			return
		}
		w.complex(m, value)
	}
	if len(m.element.rules) > 0 {
		w.invariants(m.element.rules, fhirpath.Element(m.def, value, ext), firstOf(value, ext))
	}
	if m.typ != nil && len(m.typ.rules) > 0 {
		w.invariants(m.typ.rules, fhirpath.Element(m.def, value, ext), firstOf(value, ext))
	}
}

func (w *walker) complex(m *member, value *tree.Node) {
	if onlyID(value) {
		w.errorf(value, "", outcome.CodeInvariant, "ele-1", "an element must have a value or children: give it one or leave it out")
	}
	w.object(value, m.shape)
	switch {
	case m.extension:
		w.extensionRules(value)
	case m.reference:
		w.reference(m, value)
	case m.attachment:
		w.attachment(value)
	case m.coded:
		w.codeOf(value)
	}
	if m.element.binding != nil {
		w.coded(m.element.binding, m, value)
	}
	if m.def.Ref != nil && len(m.def.Ref.Profiles) > 0 {
		w.typeProfiles(m, value)
	}
}

func onlyID(n *tree.Node) bool { return n.Len() == 1 && n.First().Name == "id" }
