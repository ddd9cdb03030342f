package bedside

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestSearchReadsAllPages(t *testing.T) {
	mux := http.NewServeMux()
	var base string
	mux.HandleFunc("GET /fhir/Task", func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("page") == "2" {
			fmt.Fprint(w, `{"resourceType":"Bundle","entry":[{"resource":{"id":"c"},"search":{"mode":"match"}},{"resource":{"id":"o"},"search":{"mode":"outcome"}}]}`) //nolint:errcheck // a test's own client
			return
		}
		fmt.Fprintf(w, `{"resourceType":"Bundle","link":[{"relation":"next","url":"%s/fhir/Task?page=2"}],"entry":[{"resource":{"id":"a"}},{"resource":{"id":"b"}}]}`, base) //nolint:errcheck // a test's own client
	})
	server := httptest.NewServer(mux)
	defer server.Close()
	base = server.URL
	c := &Client{base: base, http: server.Client()}
	found, err := c.Search(t.Context(), "Task?patient=p")
	require.NoError(t, err)
	require.Len(t, found, 3)
	require.JSONEq(t, `{"id":"c"}`, string(found[2]))

	_, err = c.Search(t.Context(), "Nothing")
	require.ErrorContains(t, err, "HTTP 404")
}

func TestReadTask(t *testing.T) {
	task, err := ReadTask([]byte(`{
		"resourceType": "Task", "id": "t", "status": "ready", "priority": "stat",
		"identifier": [{"system": "https://fhirsvc.example/fhir/NamingSystem/task-key", "value": "e/release-step/3"}],
		"code": {"coding": [{"system": "http://snomed.info/sct", "code": "1"}, {"system": "https://fhirsvc.example/fhir/CodeSystem/radial-compression", "code": "release-step"}]},
		"restriction": {"period": {"start": "2025-03-04T12:00:00Z"}},
		"input": [
			{"type": {"coding": [{"system": "https://fhirsvc.example/fhir/CodeSystem/radial-compression", "code": "planned-volume"}]}, "valueQuantity": {"value": 1.50}},
			{"type": {"coding": [{"system": "https://fhirsvc.example/fhir/CodeSystem/radial-compression", "code": "required-finding"}]},
			 "valueCodeableConcept": {"coding": [{"system": "http://loinc.org", "code": "44974-4"}]}}
		]}`))
	require.NoError(t, err)
	require.Equal(t, "release-step/3", task.Key)
	require.Equal(t, "release-step", task.Code)
	require.Equal(t, "1.50", task.Planned)
	require.Equal(t, []string{pulse}, task.Required)
	require.True(t, task.Turn())
	require.True(t, task.Due.IsZero())
	require.Equal(t, "release step 3", task.label())
}
