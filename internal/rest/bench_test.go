package rest_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkSearch asks for a page of 50 of 500 Tasks, of 50 patients with an encounter each,
// and for the same with what belongs to it. Bodies are 1.6 kB, as a rendered Task's.
func BenchmarkSearch(b *testing.B) {
	w := &world{}
	handler := w.handler(b)
	note := strings.Repeat("0123456789abcdef", 100)
	for p := range 50 {
		require.NoError(b, put(b.Context(), w.store,
			resource("Patient", fmt.Sprintf("p%d", p), 1, fmt.Sprintf(`{"resourceType":"Patient","id":"p%d","name":[{"family":"F%d"}]}`, p, p)),
			resource("Encounter", fmt.Sprintf("e%d", p), 1, fmt.Sprintf(`{"resourceType":"Encounter","id":"e%d","subject":{"reference":"Patient/p%d"}}`, p, p)),
		))
		for i := range 10 {
			id := fmt.Sprintf("t%d-%d", p, i)
			require.NoError(b, put(b.Context(), w.store,
				resource("Task", id, 1, fmt.Sprintf(`{"resourceType":"Task","id":%q,"status":"ready","description":%q,"for":{"reference":"Patient/p%d"},"encounter":{"reference":"Encounter/e%d"}}`, id, note, p, p)),
				resource("Provenance", "v-"+id, 1, fmt.Sprintf(`{"resourceType":"Provenance","id":"v-%s","target":[{"reference":"Task/%s/_history/1"}]}`, id, id)),
			))
		}
	}
	for _, q := range []struct{ name, query string }{
		{"alone", ""},
		{"with patient", "&_include=Task:patient"},
		{"with patient and encounter", "&_include=Task:patient&_include=Task:encounter"},
		{"with patient, encounter and provenance", "&_include=Task:patient&_include=Task:encounter&_revinclude=Provenance:target"},
	} {
		b.Run(q.name, func(b *testing.B) {
			for b.Loop() {
				r := httptest.NewRequest("GET", "/fhir/Task?status=ready&_count=50"+q.query, nil)
				answer := httptest.NewRecorder()
				handler.ServeHTTP(answer, r)
				require.Equal(b, 200, answer.Code)
			}
		})
	}
}
