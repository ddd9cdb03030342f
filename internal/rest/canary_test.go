package rest_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/store"
)

// canary marks what is personal. It is put wherever a client can put something: names,
// identifiers, notes, URLs, queries, headers, tokens, things that can't be read.
const canary = "Zeisig4711"

// Whatever comes in, through every door, well or badly, nothing of it is in the log, in the
// audit trail, in the subjects and headers of what is sent, or in addresses that we write.
func TestNothingPersonalLeaves(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	all := w.as(nil)
	marked := strings.Replace(event(labA, "P-"+canary, canary), "Okonedo", canary, 1)
	a := w.send(http.MethodPost, "/fhir/$process-message", marked, all)
	require.Equal(t, 200, a.StatusCode, a.text)
	w.send(http.MethodPost, "/fhir/$process-message", marked, all)
	w.send(http.MethodPost, "/fhir/$process-message", strings.Replace(marked, `"completed"`, `"`+canary+`"`, 1), all)
	w.send(http.MethodPost, "/fhir/$process-message", strings.Replace(marked, `"female"`, `"`+canary+`"`, 1), w.of(labA))
	w.send(http.MethodPost, "/fhir/$process-message", marked, w.of(labB))

	note := strings.Replace(findingOf(canary), `"status"`, `"note":[{"text":"`+canary+`"}],"status"`, 1)
	made := w.send(http.MethodPost, "/fhir/Observation", note, all)
	require.Equal(t, 201, made.StatusCode, made.text)
	addresses := []string{made.Header.Get("Location")}
	w.send(http.MethodPost, "/fhir/Observation", strings.Replace(note, "final", canary, 1), all)
	w.send(http.MethodPost, "/fhir/Observation", note, w.of(labB))
	w.send(http.MethodPut, "/fhir/Observation/"+made.doc.Str("id"), strings.Replace(note, "{", `{"id":"`+made.doc.Str("id")+`",`, 1), all)
	for _, e := range []string{
		entryOf("GET", "Patient?family="+canary, ""), entryOf("GET", "Task/"+canary, ""), entryOf("POST", "Observation", note),
		entryOf("PUT", "Task/"+canary, `{"resourceType":"Task","id":"`+canary+`"}`), entryOf("POST", canary, `{"resourceType":"`+canary+`"}`),
		entryOf("POST", "Observation", note, "ifNoneExist=identifier="+canary),
	} {
		w.send(http.MethodPost, "/fhir", bundleOf("batch", e), all)
		w.send(http.MethodPost, "/fhir", bundleOf("transaction", e), all)
	}
	for _, path := range []string{
		"/fhir/Task/" + canary, "/fhir/Task/" + canary + "/_history/" + canary, "/fhir/Task?" + canary + "=1", "/fhir/" + canary, "/" + canary,
		"/fhir/Patient?family=" + canary, "/fhir/Patient?identifier=" + canary, "/fhir/Task?patient=" + canary + "/" + canary,
		"/fhir/Task?patient:identifier=x|" + canary, "/fhir/Task?_cursor=" + canary, "/fhir/Task?_lastUpdated=" + canary,
		"/fhir/Task/$workload?from=" + canary,
	} {
		w.get(path, all)
		w.get(path, w.of(labB))
		w.get(path)
	}
	page := w.send(http.MethodPost, "/fhir/Observation/_search", "subject:identifier=urn:patients|"+canary+"&_count=1", "Content-Type: application/x-www-form-urlencoded", all)
	addresses = append(addresses, page.link("next"))
	require.NotEmpty(t, page.link("next"))
	for _, header := range []string{
		"Authorization: Bearer " + canary, "Authorization: " + canary, w.as(smarttest.Claims{"sub": canary + " Doe"}),
		w.as(smarttest.Claims{"scope": canary}), w.as(smarttest.Claims{"fhirsvc_units": canary}), w.as(smarttest.Claims{"iss": canary}),
	} {
		w.get("/fhir/Task", header, "User-Agent: "+canary, "X-Request-Id: "+canary+" Doe", "If-None-Match: "+canary, "Prefer: "+canary)
	}
	w.send(canary, "/fhir/Task", canary, all)

	subscribing(t, w, all)

	for _, address := range addresses {
		require.NotContains(t, address, canary)
	}
	trail := w.trail()
	require.Greater(t, len(trail), 20)
	for _, r := range trail {
		require.NotContains(t, string(r.Body), canary)
	}
	require.NotContains(t, w.log.String(), canary)
	checkOutbox(t, w)
}

// checkOutbox holds what is sent to its subjects, ids and headers, and by default bodies.
func checkOutbox(t *testing.T, w *secured) {
	t.Helper()
	leases, err := w.store.LeaseOutbox(t.Context(), "test", store.Partitions, time.Minute)
	require.NoError(t, err)
	rows := 0
	for _, l := range leases {
		unsent, err := w.store.Unsent(t.Context(), []store.Lease{l}, 1000)
		require.NoError(t, err)
		for _, row := range unsent {
			rows++
			require.NotContains(t, row.Subject+row.MessageID+string(row.Body), canary)
			require.NotContains(t, row.Subject, "AuditEvent")
			for name, value := range row.Headers {
				require.NotContains(t, name+value, canary)
			}
		}
	}
	require.Greater(t, rows, 10)
}

// subscribing has endpoints told of what was changed, well and badly, with the mark in all
// that a Subscription can hold.
func subscribing(t *testing.T, w *secured, all string) {
	t.Helper()
	var called atomic.Int64
	endpoint := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		called.Add(1)
		rw.Header().Set("Location", "http://"+canary+".example/"+canary)
		code, _ := strconv.Atoi(r.URL.Query().Get("answer"))
		rw.WriteHeader(code)
		_, _ = io.WriteString(rw, canary)
	}))
	t.Cleanup(endpoint.Close)
	more := `,"header":["Authorization: Bearer ` + canary + `","X-` + canary + `: ` + canary + `"],"payload":"application/fhir+json"`
	endpoints := []string{"http://127.0.0.1:1/" + canary}
	for _, code := range []string{"200", "302", "401", "410", "500"} {
		endpoints = append(endpoints, endpoint.URL+"/"+canary+"?answer="+code)
	}
	for _, at := range endpoints {
		for _, criteria := range []string{fhir.Topics()[0].URL, "Patient", "Patient?identifier:not=" + canary} {
			body := strings.Replace(subscription(criteria, at, more), "work list", canary, 1)
			w.send(http.MethodPost, "/fhir/Subscription", body, fhirJSON, all)
		}
	}
	for _, wrong := range []string{
		subscription("Patient?identifier="+canary+"|"+canary+"|", endpoints[0], more), subscription("Patient?birthdate="+canary, endpoints[0], more),
		subscription("https://"+canary+".example/topic", endpoints[0], more), subscription(canary, endpoints[0], more),
		subscription("Patient", "https://"+canary+".example/", more), subscription("Patient", "http://"+canary+"@127.0.0.1/", more),
	} {
		require.Equal(t, 422, w.send(http.MethodPost, "/fhir/Subscription", wrong, fhirJSON, all).StatusCode)
	}
	w.take(labA, "P2-"+canary, canary+"-2")
	begun := len(endpoints)
	w.notify(func() bool { return called.Load() > 12 && strings.Count(w.log.String(), "not taken") > begun })
	require.Contains(t, w.log.String(), "given up")
	for _, path := range []string{"/fhir/Subscription/$status?id=" + canary, "/fhir/Subscription/" + canary + "/$events", "/fhir/Subscription?url=" + canary} {
		w.get(path, all)
	}
}
