package rest_test

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/store"
)

// record is an AuditEvent as far as the tests ask.
type record struct {
	*tree.Node
	store.Resource
}

func records(t *testing.T, list []store.Resource) []record {
	t.Helper()
	reader, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	var out []record
	for _, r := range list {
		_, err := reader.Unmarshal(r.Body)
		require.NoError(t, err, "another reader of R4: %s", r.Body)
		sound(t, string(r.Body))
		doc, _ := tree.Parse(r.Body)
		out = append(out, record{doc.Root, r})
	}
	return out
}

// entity gives what an entity of this type and code refers to, "" for none.
func (r record) entity(code string) string {
	for e := range r.Get("entity").Items() {
		if e.Get("type").Str("code") == code && e.Get("role").Str("code") != "24" {
			what := e.Get("what")
			if ref := what.Str("reference"); ref != "" {
				return ref
			}
			return what.Get("identifier").Str("system") + "|" + what.Get("identifier").Str("value")
		}
	}
	return ""
}

func (r record) agent(i int) *tree.Node { return r.Get("agent").At(i) }

// role is the DICOM code of an agent (IHE BALP: the source and the destination of data).
func (r record) role(i int) string { return r.agent(i).Get("type").Get("coding").At(0).Str("code") }

// A change is recorded as IHE's Basic Audit Log Patterns lay it out, for the pattern
// "Create ... with known Patient subject" (profiles.ihe.net/ITI/BALP), in its own commit.
func TestAChangeIsRecordedWithIt(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	from := len(w.trail())
	token := w.as(smarttest.Claims{"sub": "u-204", "jti": "t-9", "fhirsvc_units": []string{labA}})
	a := w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), token, "X-Request-Id: r-7")
	require.Equal(t, 201, a.StatusCode, a.text)
	require.Empty(t, w.audit.taken(), "nothing waits: it was stored with the change")
	list := records(t, w.trail())
	require.Len(t, list, from+1)
	r := list[from]
	require.Equal(t, "rest", r.Get("type").Str("code"))
	require.Equal(t, "create", r.Get("subtype").At(0).Str("code"))
	require.Equal(t, "C", r.Str("action"))
	require.Equal(t, "0", r.Str("outcome"))
	require.Equal(t, "Observation/"+a.doc.Str("id")+"/_history/1", r.entity("2"))
	require.True(t, strings.HasPrefix(r.entity("1"), "Patient/"))
	require.Equal(t, "|r-7", r.entity("XrequestId"))
	require.Equal(t, labA, r.entity("Location"))
	require.Equal(t, labA, r.Unit)
	require.Equal(t, []string{"110153", "110152", "AUT"}, []string{r.role(0), r.role(1), r.role(2)}, "client, server, user")
	require.Equal(t, "ward-screens", r.agent(0).Get("who").Get("identifier").Str("value"))
	require.Equal(t, "false", r.agent(0).Get("requestor").Text, "the user asked")
	require.Equal(t, "urn:ietf:params:oauth:jti:t-9", r.agent(0).Get("policy").At(0).Text)
	require.Equal(t, "127.0.0.1", r.agent(0).Get("network").Str("address"))
	require.Equal(t, "u-204", r.agent(2).Get("who").Get("identifier").Str("value"))
	require.Equal(t, w.issuer.URL, r.agent(2).Get("who").Get("identifier").Str("system"))
	require.NotContains(t, string(r.Body), "anna")
}

// Reads and searches are recorded a moment later, the client as the destination of the
// data (BALP, pattern "Read"), and without what was searched for.
func TestReadsAndSearchesAreRecorded(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	from := len(w.trail())
	mine := w.of(labA)
	task := w.id("Task", labA)
	patient := w.get("/fhir/Task/"+task, mine).doc.Get("for").Str("reference")
	w.get("/fhir/Task/"+task+"/_history/1", mine)
	w.get("/fhir/Task/"+task+"/_history", mine)
	w.get("/fhir/Task?patient="+patient+"&status=ready&patient:identifier=urn:patients|anna", mine)
	w.send(http.MethodPost, "/fhir", bundleOf("batch", entryOf("GET", "Task/"+task, ""), entryOf("GET", "Patient?family=Okonedo", "")), mine)
	list := records(t, w.trail())[from:]
	require.Len(t, list, 6)
	wants := []struct{ code, action, client, data string }{
		{"read", "R", "110152", "Task/" + task + "/_history/"},
		{"vread", "R", "110152", "Task/" + task + "/_history/1"},
		{"history-instance", "R", "110152", "Task/" + task},
		{"search-type", "E", "110153", ""},
		{"read", "R", "110152", "Task/" + task + "/_history/"},
		{"search-type", "E", "110153", ""},
	}
	for i, want := range wants {
		r := list[i]
		require.Equal(t, want.code, r.Get("subtype").At(0).Str("code"), i)
		require.Equal(t, want.action, r.Str("action"))
		require.Equal(t, want.client, r.role(0))
		require.True(t, strings.HasPrefix(r.entity("2"), want.data), r.entity("2"))
		require.NotContains(t, string(r.Body), "anna")
		if i < 5 {
			require.Equal(t, patient, r.entity("1"))
		}
	}
	query := ""
	for e := range list[5].Get("entity").Items() {
		query += e.Str("query")
	}
	text, err := base64.StdEncoding.DecodeString(query)
	require.NoError(t, err)
	require.Equal(t, "Patient?family", string(text), "the name that was looked for stays out")
}

// Refusals are recorded, and an attack makes few records.
func TestAnAttackMakesFewRecords(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.audit.Flush(t.Context())
	from := len(w.trail())
	for range 200 {
		w.get("/fhir/Task/x").refused(t, 401, outcome.CodeLogin)
	}
	for i := range 300 {
		w.get("/fhir/Patient", w.as(smarttest.Claims{"client_id": fmt.Sprintf("c-%d", i), "scope": ""})).refused(t, 403, outcome.CodeForbidden)
	}
	list := records(t, w.trail())[from:]
	require.LessOrEqual(t, len(list), 257+1)
	total := 0
	for _, r := range list {
		require.Equal(t, "110113", r.Get("type").Str("code"), "a security alert (DICOM PS3.16 CID 400)")
		require.Equal(t, "4", r.Str("outcome"))
		n := 1
		for e := range r.Get("entity").Items() {
			for d := range e.Get("detail").Items() {
				_, err := fmt.Sscan(d.Str("valueString"), &n)
				require.NoError(t, err)
			}
		}
		total += n
	}
	require.Equal(t, 500, total, "each is counted")
}

// The trail is read with a scope that names it, within the units, and changed by nobody.
func TestTheTrailIsReadByFewAndChangedByNobody(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	w.take(labB, "P-b", "bert")
	auditor := func(units any) string {
		return w.as(smarttest.Claims{"scope": "system/AuditEvent.rs", "fhirsvc_units": units})
	}
	a := w.get("/fhir/AuditEvent?subtype=operation", auditor([]string{labA}))
	require.Equal(t, "1", a.doc.Get("total").Text, a.text)
	id := a.ids()[0]
	require.Equal(t, 200, w.get("/fhir/AuditEvent/"+id, auditor([]string{labA})).StatusCode)
	w.get("/fhir/AuditEvent/"+id, auditor([]string{labB})).refused(t, 404, outcome.CodeNotFound)
	require.Equal(t, "2", w.get("/fhir/AuditEvent?subtype=operation", auditor("*")).doc.Get("total").Text)
	w.get("/fhir/AuditEvent", w.as(smarttest.Claims{"scope": "system/*.cruds"})).refused(t, 403, outcome.CodeForbidden)
	body := string(w.trail()[0].Body)
	for _, method := range []string{"POST", "PUT", "PATCH", "DELETE"} {
		path := "/fhir/AuditEvent/" + id
		if method == "POST" {
			path = "/fhir/AuditEvent"
		}
		w.send(method, path, body, w.as(nil)).refused(t, 405, outcome.CodeNotSupported)
	}
	_, err := w.store.Commit(t.Context(), []store.Changeset{{Resources: []store.Resource{{Type: "AuditEvent", ID: id, Version: 1, Body: []byte("{}")}}}})
	require.NoError(t, err)
	require.NotEqual(t, "{}", w.get("/fhir/AuditEvent/"+id, auditor("*")).text, "a version that is there is not written again")
}

// full is a trail that has no room.
type full struct{ *noting }

func (full) Room() error { return outcome.Fail(outcome.CodeTransient, "audit", "full") }

// What can't be recorded is not done.
func TestWithoutRoomForRecordsNothingIsShown(t *testing.T) {
	t.Parallel()
	s := newSecured(t, func(o *rest.Options) {
		n, ok := o.Auditor.(*noting)
		require.True(t, ok)
		o.Auditor = full{n}
	})
	a := s.get("/fhir/Task", s.as(nil))
	a.refused(t, 503, outcome.CodeTransient)
	require.NotEmpty(t, a.Header.Get("Retry-After"))
}
