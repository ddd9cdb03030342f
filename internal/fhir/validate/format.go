package validate

import (
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// format is the JSON form of a primitive type. The checks are the published regular
// expressions written out, and beyond them what the text of
// hl7.org/fhir/R4/datatypes.html says: dates that exist, numbers in range.
type format struct {
	kind  tree.Kind
	check func(text string) (fault string)
}

func formatOf(primitive string) *format {
	switch primitive {
	case "boolean":
		return &format{tree.Bool, func(string) string { return "" }}
	case "integer":
		return &format{tree.Number, func(s string) string { return integer(s, minInt32, maxInt32) }}
	case "unsignedInt":
		return &format{tree.Number, func(s string) string { return integer(s, 0, maxInt32) }}
	case "positiveInt":
		return &format{tree.Number, func(s string) string { return integer(s, 1, maxInt32) }}
	case "decimal":
		return &format{tree.Number, decimal}
	case "date":
		return &format{tree.String, date}
	case "dateTime":
		return &format{tree.String, dateTime}
	case "instant":
		return &format{tree.String, instant}
	case "time":
		return &format{tree.String, timeOfDay}
	case "code":
		return &format{tree.String, code}
	case "id":
		return &format{tree.String, id}
	case "uri", "url", "canonical":
		return &format{tree.String, uri}
	case "oid":
		return &format{tree.String, oid}
	case "uuid":
		return &format{tree.String, uuid}
	case "base64Binary":
		return &format{tree.String, base64Binary}
	}
	return &format{tree.String, text} // string, markdown
}

const (
	minInt32 = -1 << 31
	maxInt32 = 1<<31 - 1
)

// integer reads what JSON's grammar let through.
func integer(s string, lo, hi int64) string {
	digits := strings.TrimPrefix(s, "-")
	if digits == "" || len(digits) > 10 {
		return "it is out of range"
	}
	if digits[0] == '0' && len(digits) > 1 {
		return "leading zeros are not allowed"
	}
	n := int64(0)
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' {
			return "write a whole number without point or exponent"
		}
		n = n*10 + int64(c-'0')
	}
	if len(digits) != len(s) {
		if lo >= 0 {
			return "a sign is not allowed"
		}
		n = -n
	}
	switch {
	case n >= lo && n <= hi:
		return ""
	case lo == 0:
		return "it must be 0 to 2147483647"
	case lo == 1:
		return "it must be 1 to 2147483647"
	}
	return "it must be -2147483648 to 2147483647"
}

// maxDigits bounds decimals: R4 asks for 18 digits at least; beyond this nobody
// reads the same number.
const maxDigits = 64

func decimal(s string) string {
	if len(s) > maxDigits {
		return "it has too many digits"
	}
	if i := max(strings.IndexByte(s, 'e'), strings.IndexByte(s, 'E')); i >= 0 && len(strings.TrimLeft(s[i+1:], "+-0")) > 3 {
		return "its exponent is too large"
	}
	return ""
}

// text is a string or markdown: not empty, at most a mebibyte.
func text(s string) string {
	const longest = 1 << 20
	if s == "" {
		return "an empty string is not allowed: leave the element out"
	}
	if len(s) > longest {
		return "it is longer than 1 MB"
	}
	for i := range len(s) {
		if c := s[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return "control characters other than tab and line breaks are not allowed"
		}
	}
	return ""
}

// code "has at least one character and no leading or trailing whitespace, and […] there
// is no whitespace other than single spaces in the contents"
// (hl7.org/fhir/R4/datatypes.html#code), which is more than its regex says. White space
// is that of XML Schema and regular expressions, so that a no-break space is part of a word.
func code(s string) string {
	if s == "" {
		return "an empty code is not allowed: leave the element out"
	}
	space := true
	for i := range len(s) {
		c := s[i]
		switch {
		case c == '\t' || c == '\n' || c == '\r' || c == '\f' || c == '\v':
			return "no white space but single spaces"
		case c == ' ' && space:
			return "no white space at its start, and single spaces only"
		}
		space = c == ' '
	}
	if space {
		return "no white space at its end"
	}
	return ""
}

func id(s string) string {
	if s == "" || len(s) > 64 {
		return "it must have 1 to 64 characters"
	}
	for i := range len(s) {
		if !isAlnum(s[i]) && s[i] != '-' && s[i] != '.' {
			return "only letters A-Z and a-z, digits, - and . are allowed"
		}
	}
	return ""
}

func uri(s string) string {
	if s == "" {
		return "an empty one is not allowed: leave the element out"
	}
	for i := range len(s) {
		if s[i] <= ' ' {
			return "white space is not allowed"
		}
	}
	if strings.HasPrefix(s, "urn:uuid:") && uuid(strings.ToLower(s)) != "" {
		return "urn:uuid: must be followed by a UUID (RFC 4122)"
	}
	return ""
}

func oid(s string) string {
	rest, ok := strings.CutPrefix(s, "urn:oid:")
	arcs := strings.Split(rest, ".")
	if !ok || len(arcs) < 2 || len(arcs[0]) != 1 || arcs[0][0] < '0' || arcs[0][0] > '2' {
		return "write urn:oid: and numbers separated by points"
	}
	for _, a := range arcs[1:] {
		if !allDigits(a) || len(a) > 1 && a[0] == '0' {
			return "write urn:oid: and numbers separated by points"
		}
	}
	return ""
}

func uuid(s string) string {
	const fault = "write urn:uuid: and the UUID in lower case"
	rest, ok := strings.CutPrefix(s, "urn:uuid:")
	if !ok || len(rest) != 36 {
		return fault
	}
	for i := range len(rest) {
		c := rest[i]
		dash := i == 8 || i == 13 || i == 18 || i == 23
		if dash != (c == '-') || !dash && (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return fault
		}
	}
	return ""
}

// base64Binary is RFC 4648 base64 with padding; white space is allowed between
// groups of four.
func base64Binary(s string) string {
	n, padding := 0, 0
	for i := range len(s) {
		c := s[i]
		switch {
		case c == ' ' || c == '\t' || c == '\n' || c == '\r':
			if n%4 != 0 {
				return "white space is allowed between groups of four characters only"
			}
			continue
		case c == '=':
			padding++
		case !isAlnum(c) && c != '+' && c != '/':
			return "only A-Z, a-z, 0-9, +, / and = are allowed"
		case padding > 0:
			return "= is allowed at the end only"
		}
		n++
	}
	if n == 0 {
		return "an empty one is not allowed: leave the element out"
	}
	if n%4 != 0 || padding > 2 {
		return "its length is not a multiple of four characters"
	}
	return ""
}

func isAlnum(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
