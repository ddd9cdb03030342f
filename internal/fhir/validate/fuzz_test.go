package validate_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// FuzzValidate wants an answer for any bytes: no panic, bounded issues, the same
// each time, and every error with a place and a sentence.
func FuzzValidate(f *testing.F) {
	for _, pattern := range []string{"testdata/valid/*.json", "testdata/hl7/*.json"} {
		files, err := filepath.Glob(pattern)
		require.NoError(f, err)
		for _, name := range files {
			body, err := os.ReadFile(name)
			require.NoError(f, err)
			if len(body) < 8<<10 {
				f.Add(body)
			}
		}
	}
	const most = 50
	v := validate.New(validate.Options{MaxIssues: most})
	f.Fuzz(func(t *testing.T, body []byte) {
		issues := v.Resource(body)
		require.LessOrEqual(t, len(issues), 2*most+101) // errors, remarks, those of the parser
		for _, i := range issues {
			require.NotEmpty(t, i.Details)
			require.NotEmpty(t, i.Code)
			if i.Severity == outcome.SeverityError && i.Code != outcome.CodeTooCostly {
				require.NotZero(t, i.Line, "%v", i)
			}
		}
		require.Equal(t, issues, v.Resource(body))
		_, fresh := v.Document(body)
		require.Equal(t, issues, fresh, "in memory that was used before, and in its own")
	})
}
