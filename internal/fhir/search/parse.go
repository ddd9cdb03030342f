package search

import (
	"net/url"
	"sort"
	"strconv"
	"strings"
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
)

// Options are what a query is read under.
type Options struct {
	Handling Handling
	// Base is this server's own base URL without a slash at the end, such as
	// "https://host/fhir": references under it are taken as local ones. "" for none.
	Base string
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
	}
	code, modifier, modified := strings.Cut(name, ":")
	param, ok := find(p.query.Type, code)
	if !ok {
		p.unknown(name)
		return
	}
	for _, value := range values {
		if !utf8.ValidString(value) || strings.ContainsRune(value, 0) {
			p.refuse(outcome.CodeInvalid, "", "the search parameter %q: the value is not UTF-8 text", param.Code)
			continue
		}
		c, ok := p.condition(param, modifier, modified, value)
		if !ok {
			continue
		}
		p.terms += len(c.Any)
		p.query.All = append(p.query.All, c)
		p.applied.Add(name, value)
	}
}

func (p *parser) condition(param Param, modifier string, modified bool, value string) (Condition, bool) {
	c := Condition{Param: param.Code, Kind: param.Kind}
	target := param.Target
	switch {
	case !modified:
	case modifier == "missing":
		return p.missing(c, value)
	case modifier == "not" && param.Kind == Token:
		c.Not = true
	case modifier == "identifier" && param.Kind == Reference:
		c.Param, c.Kind = param.Code+":identifier", Token
	case isTypeName(modifier) && param.Kind == Reference:
		target = modifier
	default:
		p.refuse(outcome.CodeNotSupported, "", "the modifier %q of %q is not served", clip(modifier), param.Code)
		return c, false
	}
	for _, part := range split(value, ',') {
		term, fault := p.term(c.Kind, target, modified, part)
		if fault != "" {
			p.refuse(outcome.CodeInvalid, part, "the search parameter %q: %s", param.Code, fault)
			return c, false
		}
		c.Any = append(c.Any, term)
	}
	return c, true
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

// sort reads "_sort": one date parameter, _lastUpdated or _id; matches with the same
// key stand in order of id.
func (p *parser) sort(values []string) {
	code, descending := strings.CutPrefix(values[0], "-")
	param, ok := find(p.query.Type, code)
	switch {
	case len(values) == 1 && code == "_id" && !descending:
	case len(values) == 1 && ok && param.Kind == Date:
		p.query.Sort = Sort{Param: code, Descending: descending}
	default:
		const served = "_sort takes one date parameter or _lastUpdated, with - before it for the latest first, or _id"
		if p.options.Handling == Lenient {
			p.issues = append(p.issues, outcome.Warnf(outcome.CodeNotSupported, "", "%s; it was left out", served))
			return
		}
		p.refuse(outcome.CodeNotSupported, strings.Join(values, " "), "%s", served)
		return
	}
	p.applied.Set("_sort", values[0])
}

// clip keeps a quoted text short.
func clip(s string) string {
	const longest = 80
	if r := []rune(s); len(r) > longest {
		return string(r[:longest]) + "…"
	}
	return s
}
