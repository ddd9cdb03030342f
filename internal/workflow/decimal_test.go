package workflow_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/workflow"
)

// R4 decimal: precision is kept, 1.30 is not rewritten as 1.3, and no binary floating
// point is used (hl7.org/fhir/R4/datatypes.html#decimal).
func TestDecimalKeepsItsText(t *testing.T) {
	for _, text := range []string{"0", "1.30", "12345678901234567890.5", "-0.10", "3"} {
		d, err := workflow.ParseDecimal(text)
		require.NoError(t, err)
		require.Equal(t, text, d.String())
	}
	for _, text := range []string{"", "NaN", "Infinity", "1,5", "three"} {
		_, err := workflow.ParseDecimal(text)
		require.Error(t, err, text)
	}
}

func TestDecimalIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := workflow.MustDecimal(rapid.StringMatching(`-?[0-9]{1,12}(\.[0-9]{1,6})?`).Draw(t, "a"))
		b := workflow.MustDecimal(rapid.StringMatching(`-?[0-9]{1,12}(\.[0-9]{1,6})?`).Draw(t, "b"))
		require.Zero(t, a.Add(b).Sub(b).Cmp(a))
		require.Zero(t, a.Twice().Sub(a).Cmp(a))
		require.Equal(t, a.Less(b), b.Sub(a).Sign() > 0)
		require.LessOrEqual(t, workflow.Least(a, b).Cmp(a), 0)
	})
}
