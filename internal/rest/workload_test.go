package rest_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
)

// TestWorkload: what is due of a ward, quarter by quarter; what is overdue at the start
// stands first, what is finished nowhere.
func TestWorkload(t *testing.T) {
	t.Parallel()
	w := ward(t)
	a := w.get("/fhir/Task/$workload?from=2025-03-01T09:10:00Z&hours=3")
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, "Parameters", a.doc.Str("resourceType"))
	require.Equal(t, 12, a.doc.Get("parameter").Len())
	var got []string
	for p := range a.doc.Get("parameter").Items() {
		part := p.Get("part")
		if tasks := part.At(1).Get("valueInteger").Text; tasks != "0" {
			got = append(got, part.At(0).Str("valueDateTime")+" "+tasks+" "+part.At(2).Get("valueInteger").Text)
		}
	}
	require.Equal(t, []string{"2025-03-01T09:10:00Z 2 1", "2025-03-01T09:55:00Z 1 0", "2025-03-01T11:55:00Z 1 0"}, got)
}

// TestWorkloadOfManyPages: more Tasks than one page of a search holds.
func TestWorkloadOfManyPages(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 450 {
		w.put(listed(fmt.Sprintf("t%d", i), "ready", "site-check", "p1", "2025-03-01T09:00:00Z"))
	}
	a := w.get("/fhir/Task/$workload?from=2025-03-01T09:00:00Z&hours=1")
	require.Equal(t, "450", a.doc.Get("parameter").At(0).Get("part").At(1).Get("valueInteger").Text, a.text)
}

func TestWorkloadRefusesWhatItCannotRead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, query := range []string{"", "from=today", "from=2025-03-01", "from=2025-03-01T09:00:00Z&hours=0", "from=2025-03-01T09:00:00Z&hours=25"} {
		w.get("/fhir/Task/$workload?"+query).refused(t, 400, outcome.CodeInvalid)
	}
	w.get("/fhir/Task/$workload?from=2025-03-01T09:00:00Z&ward=3").refused(t, 400, outcome.CodeNotSupported)
}
