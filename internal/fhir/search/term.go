package search

import (
	"math"
	"strings"
)

// split cuts a value at a separator that is not escaped; the parts stay escaped. R4
// search.html#escaping: \, \| \$ and \\.
func split(value string, separator byte) []string {
	var parts []string
	from := 0
	for i := 0; i < len(value); i++ {
		switch value[i] {
		case '\\':
			i++
		case separator:
			parts = append(parts, value[from:i])
			from = i + 1
		}
	}
	return append(parts, value[from:])
}

func unescape(text string) string {
	return strings.NewReplacer(`\\`, `\`, `\,`, `,`, `\|`, `|`, `\$`, `$`).Replace(text)
}

// term reads one alternative of a value. The fault is "" when it could be read, else
// what is wrong. A target narrows a reference to one type; stated tells that the
// client named it.
func (p *parser) term(kind Kind, target string, stated bool, text string) (t Term, fault string) {
	if text == "" {
		return t, "a value is empty"
	}
	switch kind {
	case Token:
		return tokenTerm(text)
	case Reference:
		return p.referenceTerm(target, stated, unescape(text))
	case Date:
		return p.dateTerm(text)
	case String:
		if t.Code, t.Text = unescape(text), fold(unescape(text)); t.Text == "" {
			return t, "a value is empty"
		}
	case URI:
		t.Code = unescape(text)
	case Quantity:
		return quantityTerm(text)
	case Composite:
		return t, "a composite has parts"
	}
	return t, ""
}

// tokenTerm reads [code], [system]|[code], |[code] and [system]|.
func tokenTerm(text string) (t Term, fault string) {
	parts := split(text, '|')
	switch len(parts) {
	case 1:
		t.Code = unescape(parts[0])
	case 2:
		t.System, t.SystemGiven, t.Code = unescape(parts[0]), true, unescape(parts[1])
	default:
		return t, `more than one "|": write \| for one that belongs to the code`
	}
	if t.System == "" && t.Code == "" {
		return t, "neither system nor code is given"
	}
	return t, ""
}

// referenceTerm reads [id], [type]/[id], an absolute URL and a canonical.
func (p *parser) referenceTerm(target string, stated bool, text string) (t Term, fault string) {
	if p.options.Base != "" {
		text = strings.TrimPrefix(text, p.options.Base+"/")
	}
	if isAbsolute(text) {
		return Term{Code: text}, ""
	}
	if isID(text) {
		return Term{System: target, Code: text}, ""
	}
	resourceType, id, ok := strings.Cut(text, "/")
	if !ok || !isTypeName(resourceType) || !isID(id) {
		return t, "a reference is an id, Type/id or an absolute URL"
	}
	if stated && resourceType != target {
		return t, "the value names another type than the modifier"
	}
	return Term{System: resourceType, Code: id}, ""
}

// prefixed cuts a comparison off a value; fault is "" unless it is not served.
func prefixed(text string) (prefix Prefix, rest, fault string) {
	if len(text) <= 2 || text[0] < 'a' || text[0] > 'z' {
		return PrefixEqual, text, ""
	}
	switch prefix = Prefix(text[:2]); prefix {
	case PrefixEqual, PrefixNotEqual, PrefixGreater, PrefixLess, PrefixGreaterEqual,
		PrefixLessEqual, PrefixStartsAfter, PrefixEndsBefore, PrefixApproximate:
		return prefix, text[2:], ""
	}
	return prefix, "", "the prefixes eq, ne, gt, lt, ge, le, sa, eb and ap are served"
}

// dateTerm reads a date of any precision with an optional prefix. Approximately is "10% of
// the gap between now and the date" (R4 search.html#prefix).
func (p *parser) dateTerm(text string) (t Term, fault string) {
	if t.Prefix, text, fault = prefixed(text); fault != "" {
		return t, fault
	}
	var ok bool
	if t.Lo, t.Hi, ok = instants(text); !ok {
		return t, "a date is written 2024, 2024-03, 2024-03-01 or 2024-03-01T08:30:00+01:00 (in a URL, + is %2B)"
	}
	if t.Prefix == PrefixApproximate {
		if p.options.Now.IsZero() {
			return t, "the prefix ap is not served here"
		}
		now := p.options.Now.UnixNano()
		t.Lo, t.Hi = within(t.Lo, -tenth(now, t.Lo)), within(t.Hi, tenth(now, t.Hi))
	}
	return t, ""
}

// tenth is a tenth of what is between two places.
func tenth(a, b int64) int64 {
	gap := within(max(a, b), -max(min(a, b), -math.MaxInt64))
	return gap / 10
}

// quantityTerm reads [prefix]number, [prefix]number|system|code and [prefix]number||code.
// Without a prefix, and with ne, a number is as exact as it is written; the other prefixes
// take it as it stands, and approximately is 10% to both sides (R4 search.html#quantity).
func quantityTerm(text string) (t Term, fault string) {
	parts := split(text, '|')
	if len(parts) != 1 && len(parts) != 3 {
		return t, "a quantity is written 5.4, 5.4|http://unitsofmeasure.org|mL or 5.4||mL"
	}
	if len(parts) == 3 {
		t.System, t.Code = unescape(parts[1]), unescape(parts[2])
		if t.SystemGiven = t.System != ""; t.Code == "" {
			return t, "a quantity with a bar has a unit at its end: 5.4||mL"
		}
	}
	number := parts[0]
	if t.Prefix, number, fault = prefixed(number); fault != "" {
		return t, fault
	}
	var ok bool
	if t.Lo, t.Hi, ok = billionths(number); !ok || !isPlainNumber(number) {
		return t, "a number is written 5 or 5.4, without an exponent"
	}
	switch t.Prefix {
	case PrefixEqual, PrefixNotEqual:
		half := precision(number)
		t.Lo, t.Hi = within(t.Lo, -half), within(t.Hi, max(half-1, 0))
	case PrefixApproximate:
		t.Lo, t.Hi = within(t.Lo, -tenth(t.Lo, 0)), within(t.Hi, tenth(t.Hi, 0))
	case PrefixGreater, PrefixLess, PrefixGreaterEqual, PrefixLessEqual, PrefixStartsAfter, PrefixEndsBefore:
	}
	return t, ""
}
