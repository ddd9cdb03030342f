package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/sandbox/bedside"
)

// The statement is valid R4, by our validator and a strict parser, and each search parameter
// in it is taken; the edge's own tests call every interaction.
func statementIsTrue(w *ward) {
	a := w.ask(http.MethodGet, "/fhir/metadata", "")
	require.Equal(w, http.StatusOK, a.Status)
	w.wantStrict(a.Body)
	for _, i := range validate.New(validate.Options{}).Resource(a.Body) {
		require.NotContains(w, []string{"error", "fatal"}, string(i.Severity), i)
	}
	var statement struct {
		REST []struct {
			Resource []struct {
				Type        string
				SearchParam []struct{ Name, Type string }
			}
		}
	}
	require.NoError(w, json.Unmarshal(a.Body, &statement))
	for _, r := range statement.REST[0].Resource {
		for _, p := range r.SearchParam {
			if p.Type != "composite" {
				w.search("/fhir/" + r.Type + "?_count=0&" + p.Name + ":missing=true")
			}
		}
	}
}

// Names, numbers, words and findings of the patient, sent to every door, right and wrong, are
// nowhere in the log.
func logTellsNothing(w *ward) {
	const canary = "Zyxwvut"
	event := strings.ReplaceAll(string(bedside.NewCase(391, "diagnostic", at("10:00")).Event()), "Testperson", canary)
	require.Equal(w, http.StatusOK, w.processMessage([]byte(event)).Status)
	require.Equal(w, http.StatusBadRequest, w.processMessage([]byte(strings.Replace(event, `"completed"`, `"`+canary+`"`, 1))).Status)
	require.NoError(w, w.client.Send(w.Context(), []byte(`{"resourceType":"`+canary+`"}`)))
	w.settle()
	for _, path := range []string{"/fhir/Patient?name=" + canary, "/fhir/Patient?" + canary + "=1", "/fhir/Patient/" + canary, "/" + canary} {
		w.ask(http.MethodGet, path, "")
	}
	w.ask(http.MethodPost, "/fhir/Observation", w.look("2025-03-04T09:59:00Z", `"note":[{"text":"`+canary+`"}]`))
	w.ask(http.MethodPost, "/fhir/Observation", `{"resourceType":"Observation","status":"`+canary+`"}`)
	require.Len(w, w.search("/fhir/Patient?name="+canary).Entry, 1, "it is stored")
	require.NotContains(w, w.process.stderr.String(), canary)
	require.Contains(w, w.process.stderr.String(), `"route":"/fhir/Patient"`, "there is a log")
}

// total and _count are of the matches; what is included stands once on each page that
// needs it, and paging ends.
func includesAreWhole(w *ward) {
	path := "/fhir/Task?_count=5&_sort=_id&_include=Task:patient&_include=Task:encounter&patient=" + w.patient
	tasks := len(w.tasks())
	seen := map[string]bool{}
	for pages := 0; path != ""; pages++ {
		require.LessOrEqual(w, pages, tasks, "paging does not end")
		p := w.search(path)
		require.Equal(w, tasks, p.Total)
		require.LessOrEqual(w, len(p.ids("match")), 5)
		for _, id := range p.ids("match") {
			require.False(w, seen[id])
			seen[id] = true
		}
		included := p.ids("include")
		require.Len(w, included, 2, "its patient and its encounter, each once")
		require.Contains(w, included, strings.TrimPrefix(w.patient, "Patient/"))
		path = p.link("next")
	}
	require.Len(w, seen, tasks)
}

// A patch that only tests makes no version, one whose test fails changes nothing, and what is not
// there yet may be added to (RFC 6902; hl7.org/fhir/R4/http.html#patch).
func patchesAreExact(w *ward) {
	task := w.task("arrival-check/1")
	patch := func(body string) bedside.Answer {
		return w.ask(http.MethodPatch, "/fhir/Task/"+task.ID, body, "Content-Type: application/json-patch+json")
	}
	versions := len(w.history("Task", task.ID))
	a := patch(`[{"op":"test","path":"/status","value":"ready"}]`)
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	w.wantOutcome(patch(`[{"op":"test","path":"/status","value":"draft"},{"op":"replace","path":"/status","value":"in-progress"}]`), 422, "business-rule")
	require.Len(w, w.history("Task", task.ID), versions, "nothing has changed")
	require.NotContains(w, string(a.Body), `"output"`, "there is no such list yet")
	look := w.ask(http.MethodPost, "/fhir/Observation", w.look("2025-03-04T10:00:00Z"))
	var o struct{ ID string }
	require.NoError(w, json.Unmarshal(look.Body, &o))
	a = patch(fmt.Sprintf(`[{"op":"add","path":"/output/-","value":{"type":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression",
		"code":"access-site-bleeding"}]},"valueReference":{"reference":"Observation/%s"}}}]`, o.ID))
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	require.Contains(w, string(a.Body), "Observation/"+o.ID)
}

// 40 findings are validated against all profiles, indexed, counted and stored; the median is far
// below what users of others wait. The process has no route to a terminology server: a code
// system that it does not have is told as information.
func validationIsQuick(w *ward) {
	var took []time.Duration
	for range 40 {
		begun := time.Now()
		require.Equal(w, http.StatusCreated, w.ask(http.MethodPost, "/fhir/Observation", w.look("2025-03-04T09:59:00Z")).Status)
		took = append(took, time.Since(begun))
	}
	slices.Sort(took)
	require.Less(w, took[len(took)/2], 500*time.Millisecond)
	unknown := strings.Replace(w.look("2025-03-04T09:59:00Z"), `"coding":[`, `"coding":[{"system":"https://vocabulary.example/cs","code":"x"},`, 1)
	a := w.ask(http.MethodPost, "/fhir/Observation", unknown, "Prefer: return=OperationOutcome")
	require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
}

// The consumer never gives up by itself, and what the broker takes for another message, since its
// window for repeats has passed or another id is on it, is known again by what is in it.
func messagesAreNotStuck(w *ward) {
	consumer, err := w.client.JetStream().Consumer(w.Context(), "PROCEDURE_EVENTS", "fhirsvc-procedure")
	require.NoError(w, err)
	config := consumer.CachedInfo().Config
	require.Equal(w, -1, config.MaxDeliver)
	require.Equal(w, jetstream.AckExplicitPolicy, config.AckPolicy)
	c := bedside.NewCase(392, "diagnostic", at("10:00"))
	for i := range 4 {
		m := &nats.Msg{Subject: "ehr.procedure.completed", Data: c.Event(), Header: nats.Header{
			"Content-Type": {"application/fhir+json"}, "Nats-Msg-Id": {fmt.Sprintf("%s-%d", c.Message, i/2)},
		}}
		_, err := w.client.JetStream().PublishMsg(w.Context(), m)
		require.NoError(w, err)
	}
	require.NoError(w, w.client.Send(w.Context(), []byte("not FHIR"))) // one that can't be read holds up none
	w.settle()
	own := joined(w, w.process)
	own.find(c)
	require.Len(w, own.history("CarePlan", strings.TrimPrefix(own.plan, "CarePlan/")), 1)
	info, err := consumer.Info(w.Context())
	require.NoError(w, err)
	require.Zero(w, info.NumAckPending)
	require.Zero(w, info.NumPending)
}

// Due and not yet due can be asked, lateness can be seen, and what is late can still be done.
func dueIsAsked(w *ward) {
	now := at("10:00")
	w.turn("10:20") // the arrival check was due at 10:15
	mine := "&_count=100&patient=" + w.patient
	due := func(query string) []string {
		return w.search("/fhir/Task?status=ready,draft&" + query + mine).ids("match")
	}
	stamp := func(d time.Duration) string { return now.Add(d).Format(time.RFC3339) }
	late, step := w.task("arrival-check/1"), w.task("release-step/1")
	require.Contains(w, due("due-date=lt"+stamp(20*time.Minute)), late.ID)
	require.NotContains(w, due("due-date=lt"+stamp(20*time.Minute)), step.ID)
	require.Contains(w, due("not-before=gt"+stamp(20*time.Minute)), step.ID)
	require.NotContains(w, due("not-before=gt"+stamp(20*time.Minute)), late.ID)
	require.Equal(w, "overdue", late.Lateness)
	require.Contains(w, w.search("/fhir/Task?business-status=overdue"+mine).ids("match"), late.ID)
	w.chart("band-air-volume=15", dry, flat, hand, patent)
	require.Equal(w, "completed", w.task("arrival-check/1").Status)
}

// What the models of a library would drop, write 50 times or misread comes back byte for byte: a
// contained resource, extensions of primitives, decimals as they were written; and each
// Task that the service writes is strict R4.
func nothingIsLost(w *ward) {
	kept := []string{
		`"contained":[{"resourceType":"Practitioner","id":"by","name":[{"family":"Makebelieve","_family":{"extension":[{"url":"https://vocabulary.example/own","valueString":"M"}]}}]}]`,
		`"_issued":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}`,
		`"extension":[{"url":"https://vocabulary.example/room","valueQuantity":{"value":1.30,"unit":"m"}}]`,
	}
	body := strings.Replace(w.look("2025-03-04T09:59:00Z", kept...), `"display":"Nurse Makebelieve"`, `"reference":"#by"`, 1)
	a := w.ask(http.MethodPost, "/fhir/Observation", body)
	require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
	var o struct{ ID string }
	require.NoError(w, json.Unmarshal(a.Body, &o))
	got := string(w.ask(http.MethodGet, "/fhir/Observation/"+o.ID, "").Body)
	for _, member := range kept {
		require.Contains(w, got, member)
	}
	for _, id := range w.search("/fhir/Task?_count=50&patient=" + w.patient).ids("match") {
		w.wantStrict(w.ask(http.MethodGet, "/fhir/Task/"+id, "").Body)
	}
}

// TestComplaintsOfSites are those that need a site's settings: an issuer whose keys change
// (github.com/TykTechnologies/tyk/issues/6378, github.com/giantswarm/mcp-oauth/issues/452,
// github.com/zmartzone/lua-resty-openidc/issues/468), and a page of another origin
// (github.com/hapifhir/hapi-fhir/issues/2130, github.com/hapifhir/hapi-fhir/issues/718,
// github.com/smart-on-fhir/smart-launcher/issues/22).
func TestComplaintsOfSites(t *testing.T) {
	t.Parallel()
	s, issuer := newSite(t), smarttest.NewIssuer(t)
	s.migrate(t)
	w := s.serve(t, "FHIRSVC_AUTHENTICATION=smart", "FHIRSVC_ISSUER="+issuer.URL, "FHIRSVC_AUDIENCE="+smarttest.Audience,
		"FHIRSVC_JWKS_URL="+issuer.JWKS, "FHIRSVC_TOKEN_URL=https://issuer.example/token", "FHIRSVC_CORS_ORIGINS=https://screen.example")

	t.Run("a new key is refused, or an old one taken, until the next start", func(t *testing.T) {
		w.TB = t
		with := func(token string) int {
			return w.ask(http.MethodGet, "/fhir/Task", "", "Authorization: Bearer "+token).Status
		}
		old := issuer.Token(nil)
		require.Equal(t, http.StatusOK, with(old))
		next, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
		require.NoError(t, err)
		issuer.Publish(jose.JSONWebKey{Key: next.Public(), KeyID: "ec-2"})
		fresh := issuer.Sign(jose.ES384, next, map[string]any{"kid": "ec-2"}, issuer.Claims(nil))
		require.Eventually(t, func() bool { return with(fresh) == http.StatusOK }, eventually, 500*time.Millisecond, "asked for within seconds")
		require.Equal(t, http.StatusUnauthorized, with(old), "the key that was taken out is dead at once")
		require.LessOrEqual(t, issuer.Asked(), 4, "and the issuer is not asked for every token")
	})

	t.Run("a page may not send what it needs, nor read the answer", func(t *testing.T) {
		w.TB = t
		a := w.ask(http.MethodOptions, "/fhir/Task/1", "", "Origin: https://screen.example", "Access-Control-Request-Method: PATCH",
			"Access-Control-Request-Headers: authorization, content-type, if-match, if-none-exist, prefer")
		require.Equal(t, http.StatusNoContent, a.Status)
		for _, name := range []string{"Authorization", "Content-Type", "Prefer", "If-Match", "If-None-Match", "If-None-Exist", "X-Request-Id"} {
			require.Contains(t, a.Header.Get("Access-Control-Allow-Headers"), name)
		}
		a = w.ask(http.MethodGet, "/fhir/metadata", "", "Origin: https://screen.example")
		require.Equal(t, "https://screen.example", a.Header.Get("Access-Control-Allow-Origin"))
		for _, name := range []string{"ETag", "Location", "Last-Modified", "X-Request-Id"} {
			require.Contains(t, a.Header.Get("Access-Control-Expose-Headers"), name)
		}
		require.Empty(t, w.ask(http.MethodGet, "/fhir/metadata", "", "Origin: https://elsewhere.example").Header.Get("Access-Control-Allow-Origin"))
	})
}
