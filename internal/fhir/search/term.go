package search

import (
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
		return dateTerm(text)
	case String:
		if t.Text = fold(unescape(text)); t.Text == "" {
			return t, "a value is empty"
		}
	case URI:
		t.Code = unescape(text)
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

// dateTerm reads a date of any precision with an optional prefix.
func dateTerm(text string) (t Term, fault string) {
	t.Prefix = PrefixEqual
	if len(text) > 2 && text[0] >= 'a' && text[0] <= 'z' {
		t.Prefix, text = Prefix(text[:2]), text[2:]
	}
	switch t.Prefix {
	case PrefixEqual, PrefixNotEqual, PrefixGreater, PrefixLess, PrefixGreaterEqual,
		PrefixLessEqual, PrefixStartsAfter, PrefixEndsBefore:
	default:
		return t, "the prefixes eq, ne, gt, lt, ge, le, sa and eb are served"
	}
	var ok bool
	if t.Lo, t.Hi, ok = instants(text); !ok {
		return t, "a date is written 2024, 2024-03, 2024-03-01 or 2024-03-01T08:30:00+01:00 (in a URL, + is %2B)"
	}
	return t, ""
}
