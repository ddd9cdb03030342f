package search

import (
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"
)

// fold makes texts equal that R4 string search takes for equal: it drops case and
// accents and runs of white space (hl7.org/fhir/R4/search.html#string).
func fold(text string) string {
	plain := transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC)
	out, _, err := transform.String(plain, text)
	if err != nil { // not valid UTF-8, which the parser refuses
		out = text
	}
	return strings.Join(strings.Fields(cases.Fold().String(out)), " ")
}
