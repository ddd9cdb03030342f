package outcome_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// What was received may be quoted, whatever it is; the OperationOutcome is valid all the same.
func TestWhatIsQuotedIsAnR4String(t *testing.T) {
	t.Parallel()
	for _, received := range []string{"\x00", "\x1f\x7f\u0085", "a\tb\r\nc", "\xff\xfe", " ", "🩹"} {
		body := outcome.JSON([]outcome.Issue{{
			Severity: outcome.SeverityError, Code: outcome.CodeInvalid, Expression: "Task._x" + received,
			Details: "not known: " + received, Diagnostics: "received: " + received,
		}})
		require.Empty(t, validate.New(validate.Options{}).Resource(body), "%q: %s", received, body)
	}
	require.JSONEq(t, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"invalid","details":{"text":"a\ufffdb\tc"}}]}`,
		string(outcome.JSON([]outcome.Issue{outcome.Errorf(outcome.CodeInvalid, "", "a\x07b\tc")})))
}
