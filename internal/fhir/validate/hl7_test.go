package validate_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// hl7Case is one of HL7's validator cases; testdata/hl7/README.md names the source.
type hl7Case struct {
	Name, File, Expected string
	Issues               []struct {
		Severity, Code string
		Expression     []string
	}
}

// TestHL7Cases compares the verdict with the reference validator's recorded one, and
// counts on which errors both agree in place.
func TestHL7Cases(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile("testdata/hl7/cases.json")
	require.NoError(t, err)
	var cases []hl7Case
	require.NoError(t, json.Unmarshal(body, &cases))
	misses := reasons(t, "testdata/hl7_misses.txt")
	v := validate.New(validate.Options{})
	agree, found, recorded := 0, 0, 0
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			resource, err := os.ReadFile(filepath.Join("testdata", "hl7", c.File))
			require.NoError(t, err)
			issues := v.Resource(resource)
			verdict := "valid"
			if outcome.HasErrors(issues) {
				verdict = "invalid"
			}
			if _, listed := misses[c.Name]; listed {
				require.NotEqual(t, c.Expected, verdict, "agrees: take it off testdata/hl7_misses.txt")
				delete(misses, c.Name)
				return
			}
			require.Equal(t, c.Expected, verdict, "%v", issues)
			agree++
			f, r := c.places(issues)
			found, recorded = found+f, recorded+r
		})
	}
	require.Empty(t, misses, "testdata/hl7_misses.txt names cases that are not there")
	t.Logf("%d of %d verdicts agree; %d of %d recorded errors have one of ours at the same element", agree, len(cases), found, recorded)
}

var comment = regexp.MustCompile(`/\*[^*]*\*/`)

// places counts the recorded errors, and those at whose element we have one.
func (c hl7Case) places(issues []outcome.Issue) (found, recorded int) {
	ours := map[string]bool{}
	for _, i := range issues {
		if outcome.HasErrors([]outcome.Issue{i}) {
			ours[i.Expression] = true
			if dot := strings.LastIndexByte(i.Expression, '.'); dot > 0 {
				ours[i.Expression[:dot]] = true // the recorded place of what is missing is its parent
			}
		}
	}
	for _, want := range c.Issues {
		if want.Severity != "error" && want.Severity != "fatal" || len(want.Expression) == 0 {
			continue
		}
		recorded++
		if ours[comment.ReplaceAllString(want.Expression[0], "")] {
			found++
		}
	}
	return found, recorded
}
