package search

import (
	"math"
	"slices"
	"strings"
	"sync"

	"fhirsvc/internal/fhir/tree"
)

// Index computes what a resource is found by, in order of parameter and of the
// elements; each value once. It is empty for a type that can't be searched and for a
// body that can't be read. "_id" and "_lastUpdated" are not in it: a store answers
// them from the resource itself.
//
// An element that is there but says nothing to find it by (a concept with only text, a
// reference with only a display) gives a value with an empty Code, so that :missing
// tells the truth; no query can ask for an empty code. Composites have no values.
func Index(resourceType string, body []byte) []Value {
	reader := readers.Get().(*tree.Reader)
	defer readers.Put(reader)
	defer reader.Release()
	doc, _ := reader.Read(body, tree.Limits{})
	if doc == nil {
		return nil
	}
	return IndexOf(resourceType, doc.Root)
}

// IndexOf is Index of a resource that was parsed for something else, too.
func IndexOf(resourceType string, resource *tree.Node) []Value {
	x := indexers.Get().(*indexer)
	defer indexers.Put(x)
	return x.index(resourceType, resource)
}

var readers = sync.Pool{New: func() any { return new(tree.Reader) }}

// indexer is of one caller at a time, and keeps its memory for the next one.
type indexer struct {
	values []Value
	seen   map[Value]bool
}

var indexers = sync.Pool{New: func() any { return &indexer{seen: map[Value]bool{}} }}

// mostSeen bounds the memory that an indexer keeps, in values.
const mostSeen = 1 << 10

func (x *indexer) index(resourceType string, resource *tree.Node) []Value {
	defer x.forget()
	for _, p := range Params(resourceType) {
		if p.Code == "_id" || p.Code == "_lastUpdated" {
			continue
		}
		for _, path := range p.paths {
			path.each(resource, func(n *tree.Node) { x.element(p, n) })
		}
	}
	return slices.Clone(x.values)
}

func (x *indexer) forget() {
	if len(x.values) > mostSeen {
		x.values, x.seen = nil, map[Value]bool{}
		return
	}
	clear(x.values)
	x.values = x.values[:0]
	clear(x.seen)
}

// add keeps a value once. Databases take no NUL in a text, and no query may hold one.
func (x *indexer) add(v Value) {
	v.System, v.Code, v.Text = withoutNUL(v.System), withoutNUL(v.Code), withoutNUL(v.Text)
	if !x.seen[v] {
		x.seen[v] = true
		x.values = append(x.values, v)
	}
}

func (x *indexer) element(p Param, n *tree.Node) {
	switch p.Kind {
	case Token:
		x.token(p, n)
	case Reference:
		x.reference(p, n)
	case Date:
		if lo, hi, ok := span(n); ok {
			x.add(Value{Param: p.Code, Kind: Date, Lo: lo, Hi: hi})
		}
	case String:
		x.text(p.Code, n)
	case URI:
		if n.Is(tree.String) {
			x.add(Value{Param: p.Code, Kind: URI, Code: n.Text})
		}
	case Quantity:
		x.quantity(p.Code, n)
	case Composite: // its parts are indexed
	}
}

// quantity reads a Quantity. With a comparator one end is open
// (hl7.org/fhir/R4/datatypes.html#quantity).
func (x *indexer) quantity(code string, n *tree.Node) {
	number := n.Get("value")
	if !number.Is(tree.Number) {
		return
	}
	lo, hi, ok := billionths(number.Text)
	if !ok {
		return
	}
	switch n.Str("comparator") {
	case "<", "<=":
		lo = math.MinInt64
	case ">", ">=":
		hi = math.MaxInt64
	}
	x.add(Value{Param: code, Kind: Quantity, System: n.Str("system"), Code: n.Str("code"), Text: n.Str("unit"), Lo: lo, Hi: hi})
}

// token reads what R4 search.html#token names: code, boolean, string, Coding,
// CodeableConcept, Identifier and ContactPoint, told apart by their members.
func (x *indexer) token(p Param, n *tree.Node) {
	v := Value{Param: p.Code, Kind: Token, System: p.System}
	switch {
	case !n.Is(tree.Object):
		v.Code = n.Text
	case n.Get("coding") != nil:
		x.codings(p.Code, n)
		return
	case n.Get("code") != nil:
		v.System, v.Code, v.Text = n.Str("system"), n.Str("code"), fold(n.Str("display"))
	case n.Get("type") != nil: // of an Identifier
		v.System, v.Code, v.Text = n.Str("system"), n.Str("value"), fold(n.Get("type").Str("text"))
	default:
		v.System, v.Code, v.Text = n.Str("system"), n.Str("value"), fold(n.Str("text"))
	}
	x.add(v)
}

// codings reads a CodeableConcept. What it is called beside the displays of its codings is
// a value without a code, which only its text finds.
func (x *indexer) codings(code string, n *tree.Node) {
	said := fold(n.Str("text"))
	for coding := range n.Get("coding").Items() {
		display := fold(coding.Str("display"))
		x.add(Value{Param: code, Kind: Token, System: coding.Str("system"), Code: coding.Str("code"), Text: display})
		if display == said {
			said = ""
		}
	}
	if said != "" {
		x.add(Value{Param: code, Kind: Token, Text: said})
	}
}

// reference reads a Reference, canonical or uri. A canonical is found with and without
// its version (hl7.org/fhir/R4/references.html#canonical).
func (x *indexer) reference(p Param, n *tree.Node) {
	if n.Is(tree.String) {
		x.add(Value{Param: p.Code, Kind: Reference, Code: n.Text})
		if bare, _, versioned := strings.Cut(n.Text, "|"); versioned {
			x.add(Value{Param: p.Code, Kind: Reference, Code: bare})
		}
		return
	}
	v := Value{Param: p.Code, Kind: Reference, Text: fold(n.Str("display"))}
	literal := n.Str("reference")
	resourceType, id, local := localReference(literal)
	switch {
	case local:
		v.System, v.Code = resourceType, id
	case isAbsolute(literal):
		v.Code = literal // another server's: never mixed up with ours
	default:
		v.System = n.Str("type")
	}
	x.add(v)
	if i := n.Get("identifier"); i != nil {
		x.add(Value{Param: p.Code + ":identifier", Kind: Token, System: i.Str("system"), Code: i.Str("value")})
	}
}

// text reads a string or a HumanName, of which any part counts
// (hl7.org/fhir/R4/search.html#string).
func (x *indexer) text(code string, n *tree.Node) {
	if n.Is(tree.String) {
		x.add(Value{Param: code, Kind: String, Code: n.Text, Text: fold(n.Text)})
		return
	}
	for _, part := range []string{"text", "family", "given", "prefix", "suffix"} {
		for item := range n.Get(part).Items() {
			if item.Is(tree.String) {
				x.add(Value{Param: code, Kind: String, Code: item.Text, Text: fold(item.Text)})
			}
		}
	}
}

// span reads a date, dateTime, instant, Period or Timing. Of a Timing only the outer
// limits count (hl7.org/fhir/R4/search.html#date).
func span(n *tree.Node) (lo, hi int64, ok bool) {
	switch {
	case n.Is(tree.String):
		return instants(n.Text)
	case n.Get("start") != nil || n.Get("end") != nil:
		return period(n)
	case n.Get("event") != nil:
		return outerLimits(n.Get("event"))
	}
	if bounds := n.Get("repeat").Get("boundsPeriod"); bounds != nil {
		return period(bounds)
	}
	return 0, 0, false
}

func period(n *tree.Node) (lo, hi int64, ok bool) {
	lo, hi = math.MinInt64, math.MaxInt64
	if first, _, readable := instants(n.Str("start")); readable {
		lo, ok = first, true
	}
	if _, last, readable := instants(n.Str("end")); readable {
		hi, ok = last, true
	}
	return lo, hi, ok
}

func outerLimits(events *tree.Node) (lo, hi int64, ok bool) {
	lo, hi = math.MaxInt64, math.MinInt64
	for e := range events.Items() {
		if first, last, readable := instants(e.Text); readable {
			lo, hi, ok = min(lo, first), max(hi, last), true
		}
	}
	return lo, hi, ok
}

func withoutNUL(text string) string { return strings.ReplaceAll(text, "\x00", "") }
