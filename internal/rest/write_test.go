package rest_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
)

const finding = `{"resourceType":"Observation","status":"final","code":{"text":"finding"},"valueQuantity":{"value":12.0}}`

func TestCreate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a := w.send(http.MethodPost, "/fhir/Observation", finding, "If-None-Exist: identifier=urn:x|1")
	require.Equal(t, 201, a.StatusCode, a.text)
	require.Equal(t, w.server.URL+"/fhir/Observation/new-1-0/_history/1", a.Header.Get("Location"))
	require.Equal(t, `W/"1"`, a.Header.Get("ETag"))
	require.Equal(t, completed("Observation", "new-1-0", 1, finding), a.text)
	want := []episode.Entry{{Method: "POST", Type: "Observation", IfNoneExist: "identifier=urn:x|1", Body: []byte(finding)}}
	require.Equal(t, want, w.service.calls[0])
	require.Equal(t, "screen", w.service.by.ID)

	w.service.repeat = true
	a = w.send(http.MethodPost, "/fhir/Observation", finding)
	require.Equal(t, 200, a.StatusCode, "a repeat is answered like the first, R4 http.html#ccreate")
	require.NotEmpty(t, a.Header.Get("Location"))
}

// R4 http.html#ops "Prefer: return".
func TestPreferReturn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.service.warn = []outcome.Issue{outcome.Warnf(outcome.CodeRequired, "Observation.performer", "performer is missing")}
	a := w.send(http.MethodPost, "/fhir/Observation", finding, "Prefer: return=minimal")
	require.Equal(t, 201, a.StatusCode)
	require.Empty(t, a.text)
	require.NotEmpty(t, a.Header.Get("Location"))
	a = w.send(http.MethodPost, "/fhir/Observation", finding, "Prefer: return=OperationOutcome")
	require.Equal(t, 201, a.StatusCode)
	require.Equal(t, "warning", a.doc.Get("issue").At(0).Str("severity"))
	a = w.send(http.MethodPost, "/fhir/Observation", finding, "Prefer: return=representation")
	require.Equal(t, completed("Observation", "new-3-0", 1, finding), a.text)
	w.service.fail = outcome.Fail(outcome.CodeBusinessRule, "", "no")
	w.send(http.MethodPost, "/fhir/Observation", finding, "Prefer: return=minimal").refused(t, 422, outcome.CodeBusinessRule)
}

func TestUpdateAndPatch(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	a := w.send(http.MethodPut, "/fhir/Task/t1", `{"resourceType":"Task","id":"t1","status":"completed"}`, `If-Match: W/"1"`)
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, `W/"2"`, a.Header.Get("ETag"))
	require.Empty(t, a.Header.Get("Location"))
	require.Equal(t, `W/"1"`, w.service.calls[0][0].IfMatch)

	patch := `[{"op":"replace","path":"/status","value":"in-progress"}]`
	a = w.send(http.MethodPatch, "/fhir/Task/t1", patch, "Content-Type: application/json-patch+json", `If-Match: W/"2"`)
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, episode.Entry{Method: "PATCH", Type: "Task", ID: "t1", IfMatch: `W/"2"`, Body: []byte(patch)}, w.service.calls[1][0])
}

func TestWritesThatAreRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const patchType = "Content-Type: application/json-patch+json"
	tests := []struct {
		name, method, path, body, header string
		status                           int
		code                             outcome.Code
		expression                       string
	}{
		{"not JSON", "POST", "/fhir/Observation", `{"a":`, "", 400, outcome.CodeInvalid, ""},
		{"not UTF-8", "POST", "/fhir/Observation", "{\"a\":\"\xff\"}", "", 400, outcome.CodeInvalid, ""},
		{"a null", "POST", "/fhir/Observation", `{"resourceType":"Observation","code":null}`, "", 400, outcome.CodeInvalid, "Observation.code"},
		{"nested too deep", "POST", "/fhir/Observation", strings.Repeat("[", 200) + strings.Repeat("]", 200), "", 403, outcome.CodeTooCostly, ""},
		{"another type", "POST", "/fhir/Observation", task, "", 400, outcome.CodeInvalid, "resourceType"},
		{"another id", "PUT", "/fhir/Task/t2", task, "", 400, outcome.CodeInvalid, "Task.id"},
		{"no id", "PUT", "/fhir/Task/t2", `{"resourceType":"Task"}`, "", 400, outcome.CodeInvalid, "Task.id"},
		{"not an id", "PUT", "/fhir/Task/a_b", task, "", 404, outcome.CodeNotFound, ""},
		{"a patch that is no array", "PATCH", "/fhir/Task/t1", `true`, patchType, 400, outcome.CodeStructure, ""},
		{"too long", "POST", "/fhir/Observation", `{"a":"` + strings.Repeat("x", 1<<20) + `"}`, "", 413, outcome.CodeTooLong, ""},
		{"XML", "POST", "/fhir/Observation", "<a/>", "Content-Type: application/fhir+xml", 415, outcome.CodeNotSupported, ""},
		{"R3", "POST", "/fhir/Observation", finding, "Content-Type: application/fhir+json; fhirVersion=3.0", 415, outcome.CodeNotSupported, ""},
		{"Latin-1", "POST", "/fhir/Observation", finding, "Content-Type: application/fhir+json; charset=iso-8859-1", 415, outcome.CodeNotSupported, ""},
		{"no type", "POST", "/fhir/Observation", finding, "Content-Type: ", 415, outcome.CodeNotSupported, ""},
		{"a patch as FHIR", "PATCH", "/fhir/Task/t1", "[1]", "", 415, outcome.CodeNotSupported, ""},
		{"wants XML", "GET", "/fhir/Task/t1", "", "Accept: application/fhir+xml", 406, outcome.CodeNotSupported, ""},
		{"wants XML by parameter", "GET", "/fhir/Task?_format=xml", "", "", 406, outcome.CodeNotSupported, ""},
		{"a type that is only read", "POST", "/fhir/Patient", `{"resourceType":"Patient"}`, "", 405, outcome.CodeNotSupported, ""},
		{"a type that is not served", "POST", "/fhir/Group", `{"resourceType":"Group"}`, "", 404, outcome.CodeNotSupported, ""},
		{"delete", "DELETE", "/fhir/Task/t1", "", "", 405, outcome.CodeNotSupported, ""},
		{"conditional update", "PUT", "/fhir/Task?identifier=x", task, "", 405, outcome.CodeNotSupported, ""},
		{"a method that is none", "BREW", "/fhir/Task/t1", "", "", 405, outcome.CodeNotSupported, ""},
		{"asynchronous message", "POST", "/fhir/$process-message?async=true", "{}", "", 400, outcome.CodeNotSupported, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var headers []string
			if tt.header != "" {
				headers = append(headers, tt.header)
			}
			a := w.send(tt.method, tt.path, tt.body, headers...)
			issue := a.refused(t, tt.status, tt.code)
			require.Equal(t, tt.expression, expression(issue))
			require.NotEmpty(t, issue.Get("details").Str("text"))
			if tt.status == 405 {
				require.NotEmpty(t, a.Header.Get("Allow"))
			}
		})
	}
	require.Empty(t, w.service.calls, "nothing of this reached the service")
}

// What the charting side refuses comes through with every issue and its place; what is
// our fault tells nothing but kind and trace.
func TestErrorsOfTheService(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.service.fail = outcome.Reject("chart", []outcome.Issue{
		outcome.Warnf(outcome.CodeRequired, "Observation.performer", "performer is missing"),
		outcome.Errorf(outcome.CodeBusinessRule, "Observation.subject", "two wrists are possible"),
	})
	a := w.send(http.MethodPost, "/fhir/Observation", finding)
	require.Equal(t, 422, a.StatusCode)
	require.Equal(t, 2, a.doc.Get("issue").Len())
	require.Equal(t, "Observation.subject", a.doc.Get("issue").At(1).Get("expression").At(0).Text)

	for kind, status := range map[outcome.Code]int{
		outcome.CodeNoStore: 503, outcome.CodeLockError: 503, outcome.CodeTimeout: 504, outcome.CodeException: 500,
	} {
		w.service.fail = &outcome.Error{Kind: kind, Op: "commit", Details: "table task", Diagnostics: "Jane Doe"}
		a := w.send(http.MethodPost, "/fhir/Observation", finding, "X-Request-Id: r-1")
		issue := a.refused(t, status, kind)
		require.Equal(t, "trace r-1", issue.Str("diagnostics"))
		require.NotContains(t, a.text, "table")
		require.NotContains(t, a.text, "Jane")
		require.Equal(t, status == 503, a.Header.Get("Retry-After") != "")
	}

	w.service.explode = true
	w.send(http.MethodPost, "/fhir/Observation", finding).refused(t, 500, outcome.CodeException)
}

func TestProcessMessage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a := w.send(http.MethodPost, "/fhir/$process-message", `{"resourceType":"Bundle"}`)
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, "screen", w.service.message.By.ID)
	w.service.message.By = episode.Client{}
	require.Equal(t, episode.Message{Body: []byte(`{"resourceType":"Bundle"}`), ContentType: "application/fhir+json", Door: episode.DoorHTTP}, w.service.message)
	w.service.fail = outcome.Fail(outcome.CodeDuplicate, "", "another content under this id")
	w.send(http.MethodPost, "/fhir/$process-message", `{}`).refused(t, 409, outcome.CodeDuplicate)
}
