package conformance

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestReadDifferences(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, text, fault string }{
		{"whole", "# a remark\ncase: a/b\ncase: a/**\nrefuses: ours\nreason: r\nstandard: s", ""},
		{"nobody refuses", "case: a/b\nreason: r\nstandard: s", "want ours or reference"},
		{"no standard", "case: a/b\nrefuses: ours\nreason: r", "needs case, refuses, reason and standard"},
		{"no case", "refuses: ours\nreason: r\nstandard: s", "needs case"},
		{"a stray line", "hello", "what is this line"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			list, err := ReadDifferences(strings.NewReader(tt.text))
			if tt.fault != "" {
				require.ErrorContains(t, err, tt.fault)
				return
			}
			require.NoError(t, err)
			require.Len(t, list, 2)
			require.Equal(t, "s", list[1].Standard)
		})
	}
}

// TestUnexplained: a difference fails unless the list has it, an entry without a
// difference fails, and what is stored must be refused by nobody.
func TestUnexplained(t *testing.T) {
	t.Parallel()
	refused := Verdict{Issues: []Issue{{Severity: "warning"}, {Severity: "error", Message: "m"}}}
	accepted := Verdict{Issues: []Issue{{Severity: "warning"}}}
	for _, tt := range []struct {
		name      string
		class     string
		we, they  Verdict
		pattern   string
		refuses   string
		wantFault string
	}{
		{"both refuse", "null", refused, refused, "", "", ""},
		{"both accept", Stored, accepted, accepted, "", "", ""},
		{"not listed", "null", refused, accepted, "", "", "ours refuses"},
		{"listed", "null", refused, accepted, "Task/null/**", "ours", ""},
		{"listed for another type", "null", refused, accepted, "Flag/null/**", "ours", "ours refuses"},
		{"listed the other way", "null", accepted, refused, "Task/null/**", "ours", "reference refuses"},
		{"listed for another error", "null", refused, accepted, "Task/null/** n", "ours", "ours refuses"},
		{"listed for this error", "null", refused, accepted, "Task/null/** m", "ours", ""},
		{"listed in vain", "null", refused, refused, "Task/null/**", "ours", "take it off"},
		{"stored, and listed", Stored, accepted, refused, "Task/null/**", "reference", "reference refuses"},
		{"stored, and both refuse", Stored, refused, refused, "", "", "ours refuses"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			var list []*Difference
			if tt.pattern != "" {
				pattern, says, _ := strings.Cut(tt.pattern, " ")
				list = append(list, &Difference{Pattern: pattern, Says: says, Refuses: tt.refuses})
			}
			faults := Unexplained([]Case{{ID: "Task/null/Task.code/x", Class: tt.class}},
				Judgement{Verdicts: []Verdict{tt.we}}, Judgement{Verdicts: []Verdict{tt.they}}, list)
			if tt.wantFault == "" {
				require.Empty(t, faults)
				return
			}
			require.Contains(t, strings.Join(faults, "\n"), tt.wantFault)
		})
	}
}

// TestVerdictsMustFitTheQuestions: a validator that leaves a case out, or answers
// another, is not believed.
func TestVerdictsMustFitTheQuestions(t *testing.T) {
	t.Parallel()
	cases := []Case{{ID: "a"}, {ID: "b"}}
	_, err := verdicts(strings.NewReader(`{"id":"a"}`+"\n"), cases)
	require.ErrorContains(t, err, "end before b")
	_, err = verdicts(strings.NewReader(`{"id":"b"}`+"\n"), cases)
	require.ErrorContains(t, err, "was not asked")
	got, err := verdicts(strings.NewReader(`{"id":"a"}`+"\n"+`{"id":"b"}`+"\n"), cases)
	require.NoError(t, err)
	require.Len(t, got, 2)
}
