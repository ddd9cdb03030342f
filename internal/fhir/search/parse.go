package search

import (
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"fhirsvc/internal/fhir/outcome"
)

// Handling says what becomes of a parameter that is not known, R4 http.html#2.21.0.8
// "Prefer: handling".
type Handling uint8

// The ways of handling. Strict is the default: a filter that is dropped in silence
// makes a work list longer than the one that was asked for.
const (
	Strict  Handling = iota // refuse it
	Lenient                 // leave it out, and say so
)

// Limits of a query.
const (
	DefaultCount = 50
	MaximumCount = 200
	// MaximumTerms bounds the alternatives of all conditions together.
	MaximumTerms = 500
	// MaximumSorts bounds the keys of an order, MaximumChain the references of a chain.
	MaximumSorts = 4
	MaximumChain = 3
)

// Options are what a query is read under.
type Options struct {
	Handling Handling
	// Base is this server's own base URL without a slash at the end, such as
	// "https://host/fhir": references under it are taken as local ones. "" for none.
	Base string
	// Now is what the prefix "ap" of a date is about: it reaches a tenth of the time between.
	// Zero does not serve it.
	Now time.Time
}

// Parse reads the parameters of a search. The applied ones are those that the Query
// stands for, for the self link; of "_count" it is the number that is used ("0" asks
// for the total alone; the Query then has Count 1). Issues of error level mean that
// there is no Query: invalid for a value that can't be read, not-supported for a
// parameter, modifier or order that is not served, too-costly beyond the limits. A
// modifier that is not served is refused under either handling, as R4
// search.html#modifiers demands.
//
// Details of the issues name parameters, Diagnostics quote values.
func Parse(resourceType string, params url.Values, o Options) (Query, url.Values, []outcome.Issue) {
	if len(Params(resourceType)) == 0 {
		return Query{}, nil, []outcome.Issue{outcome.Errorf(outcome.CodeNotSupported, "", "resources of this type can't be searched")}
	}
	p := parser{
		options: o,
		query:   Query{Type: resourceType, Count: DefaultCount},
		applied: url.Values{"_count": {strconv.Itoa(DefaultCount)}},
	}
	names := make([]string, 0, len(params))
	for name := range params {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		p.parameter(name, params[name])
	}
	if p.terms > MaximumTerms {
		p.refuse(outcome.CodeTooCostly, "", "the query has more than %d values", MaximumTerms)
	}
	if outcome.HasErrors(p.issues) {
		return Query{}, nil, p.issues
	}
	return p.query, p.applied, p.issues
}

type parser struct {
	options Options
	query   Query
	applied url.Values
	issues  []outcome.Issue
	terms   int
	failed  bool // the name at hand was refused
}

// refuse records an error; value is what was sent, quoted only in Diagnostics.
func (p *parser) refuse(code outcome.Code, value, format string, args ...any) {
	i := outcome.Errorf(code, "", format, args...)
	if value != "" {
		i.Diagnostics = "received: " + clip(value)
	}
	p.issues = append(p.issues, i)
}

// unknown records a parameter that is not served.
func (p *parser) unknown(name string) {
	if p.options.Handling == Lenient {
		p.issues = append(p.issues, outcome.Warnf(outcome.CodeNotSupported, "",
			"the search parameter %q is not served for %s and was left out", clip(name), p.query.Type))
		return
	}
	p.refuse(outcome.CodeNotSupported, "", "the search parameter %q is not served for %s", clip(name), p.query.Type)
}

func (p *parser) parameter(name string, values []string) {
	switch name {
	case "_count":
		p.count(values)
		return
	case "_sort":
		p.sort(values)
		return
	case "_total":
		p.total(values)
		return
	}
	asked, known := p.asked(p.query.Type, name, 0)
	if !known {
		if !p.failed {
			p.unknown(name)
		}
		p.failed = false
		return
	}
	for _, value := range values {
		if !utf8.ValidString(value) || strings.ContainsRune(value, 0) {
			p.refuse(outcome.CodeInvalid, "", "the search parameter %q: the value is not UTF-8 text", clip(name))
			continue
		}
		c, ok := asked(value)
		if !ok {
			continue
		}
		Each([]Condition{c}, func(c Condition) { p.terms += len(c.Any) })
		p.query.All = append(p.query.All, c)
		p.applied.Add(name, value)
	}
}

// reading turns a value into the condition that a name stands for; ok is false when it was
// refused.
type reading func(value string) (c Condition, ok bool)

// asked reads the name of a parameter of a type: code, code:modifier, a chain or _has. known
// is false for a name that is not served; failed tells that it was refused already.
func (p *parser) asked(resourceType, name string, depth int) (r reading, known bool) {
	if strings.HasPrefix(name, "_has:") {
		return p.has(resourceType, name, depth)
	}
	if head, rest, chained := strings.Cut(name, "."); chained {
		return p.chain(resourceType, name, head, rest, depth)
	}
	code, modifier, modified := strings.Cut(name, ":")
	param, ok := find(resourceType, code)
	if !ok {
		return nil, false
	}
	return func(value string) (Condition, bool) {
		return p.condition(resourceType, param, modifier, modified, value)
	}, true
}

func (p *parser) condition(resourceType string, param Param, modifier string, modified bool, value string) (Condition, bool) {
	c := Condition{Param: param.Code, Kind: param.Kind}
	if param.Kind == Composite {
		return p.composite(resourceType, param, modified, value)
	}
	target := param.Target
	switch {
	case !modified:
	case modifier == "missing":
		return p.missing(c, value)
	case modifier == "not" && param.Kind == Token:
		c.Not = true
	case modifier == "identifier" && param.Kind == Reference:
		c.Param, c.Kind = param.Code+":identifier", Token
	case modifier == "text" && (param.Kind == Token || param.Kind == Reference) && param.Code != "_id":
		c.Match = Called
	case modifier == "exact" && param.Kind == String:
		c.Match = Exact
	case modifier == "contains" && param.Kind == String:
		c.Match = Contains
	case isTypeName(modifier) && param.Kind == Reference:
		target = modifier
	default:
		p.refuse(outcome.CodeNotSupported, "", "the modifier %q of %q is not served", clip(modifier), param.Code)
		return c, false
	}
	kind := c.Kind
	if c.Match == Called {
		kind = String
	}
	for _, part := range split(value, ',') {
		term, fault := p.term(kind, target, modified, part)
		if fault != "" {
			p.refuse(outcome.CodeInvalid, part, "the search parameter %q: %s", param.Code, fault)
			return c, false
		}
		if c.Match != Exact {
			term.Code = codeOf(kind, term)
		}
		c.Any = append(c.Any, term)
	}
	return c, true
}

// codeOf drops the text as it stands from a String that is compared folded.
func codeOf(kind Kind, t Term) string {
	if kind == String {
		return ""
	}
	return t.Code
}

func (p *parser) missing(c Condition, value string) (Condition, bool) {
	missing := value == "true"
	if !missing && value != "false" {
		p.refuse(outcome.CodeInvalid, value, "the search parameter %q: the value of :missing is true or false", c.Param)
		return c, false
	}
	c.Missing = &missing
	return c, true
}

func (p *parser) count(values []string) {
	n, err := strconv.Atoi(values[0])
	if len(values) > 1 || err != nil || n < 0 {
		p.refuse(outcome.CodeInvalid, strings.Join(values, " "), "_count is one whole number, not negative")
		return
	}
	n = min(n, MaximumCount)
	p.applied.Set("_count", strconv.Itoa(n))
	p.query.Count = max(n, 1)
}

// total reads "_total": "none" spares the counting, all else is counted.
func (p *parser) total(values []string) {
	if len(values) != 1 || !slices.Contains([]string{"none", "estimate", "accurate"}, values[0]) {
		p.notServed(strings.Join(values, " "), "of _total, none, estimate and accurate are served")
		return
	}
	p.query.NoTotal = values[0] == "none"
	p.applied.Set("_total", values[0])
}

// sort reads "_sort": parameters with a comma between, with - before one for the reverse.
func (p *parser) sort(values []string) {
	keys, ok := p.keys(strings.Split(strings.Join(values, ","), ","))
	if !ok {
		p.notServed(strings.Join(values, " "),
			"_sort takes up to %d parameters of this type, but composites, _lastUpdated and _id, with - before one for the reverse", MaximumSorts)
		return
	}
	p.query.Sort = keys
	p.applied.Set("_sort", strings.Join(values, ","))
}

func (p *parser) keys(names []string) ([]Sort, bool) {
	var keys []Sort
	for _, name := range names {
		code, descending := strings.CutPrefix(name, "-")
		param, ok := find(p.query.Type, code)
		if !ok || param.Kind == Composite {
			return nil, false
		}
		keys = append(keys, Sort{Param: code, Kind: param.Kind, Descending: descending})
	}
	if last := len(keys) - 1; keys[last].Param == "_id" && !keys[last].Descending {
		keys = keys[:last] // equal matches stand in order of id anyway
	}
	return keys, len(keys) <= MaximumSorts
}

// clip keeps a quoted text short.
func clip(s string) string {
	const longest = 80
	if r := []rune(s); len(r) > longest {
		return string(r[:longest]) + "…"
	}
	return s
}
