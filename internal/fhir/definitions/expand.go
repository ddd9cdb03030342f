package definitions

import (
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// expander expands value sets from their definition, with the code systems and
// value sets at hand and, where those do not suffice, from a published expansion.
type expander struct {
	codeSystems map[string]*codeSystem
	valueSets   map[string]*tree.Node
	expansions  map[string]*tree.Node
	open        map[string]bool // guards against value sets that include each other
}

type codeSystem struct {
	complete bool
	fold     bool // caseSensitive is false
	grammar  bool // more codes can be composed
	codes    []string
	displays displays
	parents  map[string][]string
	abstract map[string]bool // codes that group others and cannot be chosen
}

func newCodeSystem(cs *tree.Node) *codeSystem {
	s := &codeSystem{complete: cs.Str("content") == "complete", parents: map[string][]string{}, abstract: map[string]bool{}}
	s.fold = textOf(cs.Get("caseSensitive")) == "false"
	s.grammar = textOf(cs.Get("compositional")) == "true"
	s.add(cs.Get("concept"), "")
	return s
}

// published gives the system as a list of codes, nil when that is not all of it.
func (s *codeSystem) published(url string) *CodeSystem {
	if !s.complete || s.grammar || len(s.codes) == 0 {
		return nil
	}
	return &CodeSystem{URL: url, Codes: s.codes, Fold: s.fold}
}

func (s *codeSystem) add(concepts *tree.Node, parent string) {
	for c := range concepts.Items() {
		code := c.Str("code")
		s.codes = append(s.codes, code)
		s.displays = append(s.displays, designations(c))
		if parent != "" {
			s.parents[code] = append(s.parents[code], parent)
		}
		for p := range c.Get("property").Items() {
			switch p.Str("code") {
			case "subsumedBy", "parent":
				s.parents[code] = append(s.parents[code], p.Str("valueCode"))
			case "notSelectable":
				s.abstract[code] = textOf(p.Get("valueBoolean")) == "true"
			}
		}
		s.add(c.Get("concept"), code)
	}
}

// designations gives the display of a concept and its other designations.
func designations(concept *tree.Node) []string {
	var out []string
	if d := concept.Str("display"); d != "" {
		out = append(out, d)
	}
	for d := range concept.Get("designation").Items() {
		if v := d.Str("value"); v != "" && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// systems gives, in alphabetical order, the URLs of the code systems that the value
// sets at hand draw on, and of those at hand that are not whole.
func (e *expander) systems() []string {
	all := map[string]bool{}
	for url := range e.codeSystems {
		all[url] = true
	}
	for _, vs := range e.valueSets {
		for _, list := range []string{"include", "exclude"} {
			for c := range vs.Get("compose").Get(list).Items() {
				all[c.Str("system")] = true
			}
		}
	}
	var out []string
	for _, url := range sortedKeys(all) {
		whole := e.codeSystems[url] != nil && e.codeSystems[url].published(url) != nil
		example := strings.Contains(url, "//example.") // a domain that nobody has, RFC 2606
		if strings.Contains(url, ":") && !whole && !example {
			out = append(out, url)
		}
	}
	return out
}

// under reports whether code is root or below it.
func (s *codeSystem) under(code, root string) bool {
	if code == root {
		return true
	}
	return slices.ContainsFunc(s.parents[code], func(p string) bool { return s.under(p, root) })
}

// expansion collects codes by system in the order in which they are met.
type expansion struct {
	order []string
	codes map[string][]string
	any   []string
}

func (x *expansion) add(system, code string) {
	if x.codes == nil {
		x.codes = map[string][]string{}
	}
	if _, ok := x.codes[system]; !ok {
		x.order = append(x.order, system)
	}
	if !slices.Contains(x.codes[system], code) {
		x.codes[system] = append(x.codes[system], code)
	}
}

func (x *expansion) remove(system, code string) {
	x.codes[system] = slices.DeleteFunc(x.codes[system], func(c string) bool { return c == code })
}

// Expand gives a value set as a list of codes. It is Open when neither its own
// definition nor a complete published expansion lists all of them.
func (e *expander) Expand(url string) *ValueSet {
	out := &ValueSet{URL: url}
	var x expansion
	err := e.compose(url, &x)
	if err == nil {
		out.fill(&x)
		return out
	}
	published := e.expansions[url].Get("expansion")
	x = expansion{}
	contains(published, &x)
	out.fill(&x)
	out.Open = published == nil || published.Get("contains") == nil || limited(published)
	if len(out.Any) > 0 {
		out.Open = false
	}
	return out
}

func (v *ValueSet) fill(x *expansion) {
	for _, s := range x.order {
		if codes := x.codes[s]; len(codes) > 0 {
			v.Systems = append(v.Systems, Codes{System: s, Codes: codes})
		}
	}
	v.Any = x.any
}

func contains(n *tree.Node, x *expansion) {
	for c := range n.Get("contains").Items() {
		if code := c.Str("code"); code != "" && textOf(c.Get("abstract")) != "true" {
			x.add(c.Str("system"), code)
		}
		contains(c, x)
	}
}

// limited reports whether the publisher says that the expansion is not the whole.
func limited(expansion *tree.Node) bool {
	for p := range expansion.Get("parameter").Items() {
		if p.Str("name") == "limitedExpansion" {
			return true
		}
	}
	return extension(expansion, "http://hl7.org/fhir/StructureDefinition/valueset-toocostly") != nil
}

func (e *expander) compose(url string, x *expansion) error {
	vs := e.valueSets[url]
	if vs == nil {
		return fmt.Errorf("value set %s is not in the package", url)
	}
	if e.open[url] {
		return fmt.Errorf("value set %s includes itself", url)
	}
	e.open[url] = true
	defer delete(e.open, url)
	for inc := range vs.Get("compose").Get("include").Items() {
		if err := e.include(inc, x); err != nil {
			return err
		}
	}
	for exc := range vs.Get("compose").Get("exclude").Items() {
		var out expansion
		if err := e.include(exc, &out); err != nil {
			return err
		}
		for _, s := range out.order {
			for _, c := range out.codes[s] {
				x.remove(s, c)
			}
		}
	}
	return nil
}

func (e *expander) include(inc *tree.Node, x *expansion) error {
	system := inc.Str("system")
	if system == "" {
		return e.includeSets(inc, x)
	}
	if inc.Get("valueSet") != nil {
		return fmt.Errorf("include of a system within a value set")
	}
	if concepts := inc.Get("concept"); concepts != nil {
		for c := range concepts.Items() {
			x.add(system, c.Str("code"))
		}
		return nil
	}
	cs := e.codeSystems[system]
	if cs == nil || !cs.complete {
		return fmt.Errorf("code system %s is not in the package", system)
	}
	for _, code := range cs.codes {
		ok, err := passes(cs, code, inc.Get("filter"))
		if err != nil {
			return err
		}
		if ok && !cs.abstract[code] {
			x.add(system, code)
		}
	}
	return nil
}

func (e *expander) includeSets(inc *tree.Node, x *expansion) error {
	if inc.Get("valueSet").Len() > 1 {
		return fmt.Errorf("include of an intersection of value sets")
	}
	return e.compose(WithoutVersion(textOf(inc.Get("valueSet").At(0))), x)
}

func passes(cs *codeSystem, code string, filters *tree.Node) (bool, error) {
	for f := range filters.Items() {
		value := f.Str("value")
		switch op := f.Str("property") + " " + f.Str("op"); op {
		case "concept is-a":
			if !cs.under(code, value) {
				return false, nil
			}
		case "concept descendent-of":
			if code == value || !cs.under(code, value) {
				return false, nil
			}
		case "concept is-not-a":
			if cs.under(code, value) {
				return false, nil
			}
		default:
			return false, fmt.Errorf("filter %s is not supported", strings.TrimSpace(op))
		}
	}
	return true, nil
}
