package rest_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// plain holds an answer to R4 as published, without the project's profiles: they are for
// whole resources.
func plain(t *testing.T, body string) {
	t.Helper()
	for _, i := range validate.New(validate.Options{}).Resource([]byte(body)) {
		require.False(t, outcome.HasErrors([]outcome.Issue{i}), "%s: %s", i, body)
	}
}

func isPart(n *tree.Node) bool {
	for tag := range n.Get("meta").Get("tag").Items() {
		if tag.Str("code") == "SUBSETTED" {
			return true
		}
	}
	return false
}

// Everything that the service has, in every view, alone and as a searchset, is valid R4,
// tagged, and no longer than the whole (hl7.org/fhir/R4/search.html#summary).
func TestEveryViewOfEverythingIsValid(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), w.of(labA)).StatusCode)
	w.trail()
	token := w.as(nil)
	parts := 0
	for _, resourceType := range search.Types() {
		whole := w.get("/fhir/"+resourceType+"?_count=20", token)
		for _, view := range []string{"_summary=true", "_summary=text", "_summary=data", "_elements=meta", "_elements=identifier,text", "_summary=false"} {
			if view == "_elements=identifier,text" && (resourceType == "Provenance" || resourceType == "AuditEvent" || resourceType == "SearchParameter" || resourceType == "Subscription") {
				continue // these have no identifier
			}
			a := w.get("/fhir/"+resourceType+"?_count=20&_sort=_id&"+view, token)
			require.Equal(t, 200, a.StatusCode, a.text)
			plain(t, a.text)
			require.Contains(t, a.link("self"), view[:strings.IndexByte(view, '=')])
			for e := range a.doc.Get("entry").Items() {
				parts++
				r := e.Get("resource")
				require.Equal(t, view != "_summary=false", isPart(r), view)
				one := w.get("/fhir/"+resourceType+"/"+r.Str("id")+"?"+view, token)
				require.Equal(t, 200, one.StatusCode)
				require.Contains(t, a.text, one.text, "a read gives the same")
			}
		}
		require.NotEmpty(t, whole.text)
	}
	require.Greater(t, parts, 120)
}

func TestViewsOfAnswers(t *testing.T) {
	t.Parallel()
	w := linked(t)
	elements := w.get("/fhir/Task?_id=b&_elements=for,partOf&_include=Task:owner")
	match, device := elements.doc.Get("entry").At(0).Get("resource"), elements.doc.Get("entry").At(1).Get("resource")
	require.Nil(t, match.Get("owner"))
	require.NotNil(t, match.Get("for"))
	require.NotNil(t, match.Get("status"), "mandatory")
	require.False(t, isPart(device), "a list of elements is not for what is included")
	summary := w.get("/fhir/Task?_id=b&_summary=true&_include=Task:owner")
	require.True(t, isPart(summary.doc.Get("entry").At(1).Get("resource")))
	next := w.get("/fhir/Task?_count=1&_elements=status")
	require.True(t, isPart(w.get(strings.TrimPrefix(next.link("next"), w.server.URL)).doc.Get("entry").At(0).Get("resource")), "next keeps it")

	read := w.get("/fhir/Task/a?_elements=status")
	require.Equal(t, `W/"2"`, read.Header.Get("ETag"))
	require.Contains(t, read.text, "SUBSETTED")
	require.Contains(t, w.get("/fhir/Task/a/_history/1?_summary=data").text, "SUBSETTED")
	batch := w.send(http.MethodPost, "/fhir", bundleOf("transaction", entryOf("GET", "Task/a?_summary=true", ""), entryOf("GET", "Task/a/_history/1?_elements=status", "")))
	require.Equal(t, 2, strings.Count(batch.text, "SUBSETTED"), batch.text)

	for path, code := range map[string]outcome.Code{
		"Task?_summary=short":                    outcome.CodeNotSupported,
		"Task?_summary=true&_summary=text":       outcome.CodeNotSupported,
		"Task?_summary=true&_elements=status":    outcome.CodeInvalid,
		"Task?_summary=text&_include=Task:owner": outcome.CodeInvalid,
		"Task?_elements=colour":                  outcome.CodeNotSupported,
		"Task?_elements=":                        outcome.CodeNotSupported,
		"Task?_elements=Task.status":             outcome.CodeNotSupported,
		"Task?_total=some":                       outcome.CodeNotSupported,
		"Task/a?_summary=count":                  outcome.CodeNotSupported,
		"Task/a?_elements=valueQuantity":         outcome.CodeNotSupported,
		"Task/a?_include=Task:owner":             outcome.CodeNotSupported,
		"Task/a/_history?_elements=status":       outcome.CodeNotSupported,
		"Observation?_elements=valueQuantity":    outcome.CodeNotSupported,
	} {
		w.get("/fhir/"+path).refused(t, 400, code)
	}
	lenient := w.get("/fhir/Task?_id=a&_summary=short&_elements=colour", "Prefer: handling=lenient")
	require.Equal(t, 200, lenient.StatusCode, lenient.text)
	require.NotContains(t, lenient.text, "SUBSETTED")
	require.Equal(t, 2, strings.Count(lenient.text, "left out"))
}

// R4 search.html#summary: the tag is there so that a part is not taken for the whole.
func TestAPartIsNotWrittenBack(t *testing.T) {
	t.Parallel()
	w := linked(t)
	part := w.get("/fhir/Task/a?_elements=status").text
	w.send(http.MethodPut, "/fhir/Task/a", part).refused(t, 422, outcome.CodeBusinessRule)
	w.send(http.MethodPost, "/fhir", bundleOf("transaction", entryOf("PUT", "Task/a", part))).refused(t, 422, outcome.CodeBusinessRule)
	require.Equal(t, `W/"2"`, w.get("/fhir/Task/a").Header.Get("ETag"))
}
