package search

import (
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"
)

// fold makes texts equal that R4 string search takes for equal: it drops case and
// accents and runs of white space (hl7.org/fhir/R4/search.html#string).
func fold(text string) string {
	if isASCII(text) { // most texts are, and have no accents
		return strings.Join(strings.Fields(strings.ToLower(text)), " ")
	}
	return foldAny(text)
}

// foldAny folds any text.
func foldAny(text string) string {
	f := folders.Get().(*folder)
	defer folders.Put(f)
	out, _, err := transform.String(f.plain, text)
	if err != nil { // not valid UTF-8, which the parser refuses
		out = text
	}
	return strings.Join(strings.Fields(f.lower.String(out)), " ")
}

// folder is what foldAny works with; it is of one caller at a time, and dear to make.
type folder struct {
	plain transform.Transformer
	lower cases.Caser
}

var folders = sync.Pool{New: func() any {
	return &folder{transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), cases.Fold()}
}}

func isASCII(text string) bool {
	for i := range len(text) {
		if text[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}
