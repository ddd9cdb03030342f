package episode

import (
	"regexp"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
)

// choiceType is how a FHIRPath names the type of a choice; decoders leave it out.
var choiceType = regexp.MustCompile(`\.ofType\([A-Za-z]+\)`)

// advice gives the warnings among found that the release's own profiles raise, without
// those at an element, or around one, of which something was said already. What R4
// remarks beside its errors is not for the sender.
func advice(found, said []outcome.Issue) []outcome.Issue {
	var out []outcome.Issue
	for _, i := range found {
		at := choiceType.ReplaceAllString(i.Expression, "")
		told := func(s outcome.Issue) bool { return within(at, s.Expression) || within(s.Expression, at) }
		if profiles.IsAdvice(i.Rule) && !slices.ContainsFunc(said, told) {
			out = append(out, i)
		}
	}
	return out
}

// within reports whether an expression is of the element or of one below it.
func within(expression, element string) bool {
	rest, ok := strings.CutPrefix(expression, element)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
}
