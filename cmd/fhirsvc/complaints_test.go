package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// complaint is what users of FHIR servers, of interface engines and of the libraries below
// them complain of in public, in our words, with where they do; and what must be so here.
type complaint struct {
	about  string
	source []string // on github.com
	test   func(w *ward)
}

// knownComplaints are in the order of how often they were met. One who changes a test here
// brings a known complaint back.
func knownComplaints() []complaint {
	return []complaint{
		{"a conditional create makes two of one", []string{"hapifhir/hapi-fhir/issues/3141", "microsoft/fhir-server/issues/1382", "medplum/medplum/issues/4878"}, createdOnce},
		{"one of two updates is lost", []string{"LinuxForHealth/FHIR/issues/2405", "microsoft/fhir-server/issues/4647", "openemr/openemr/issues/12378"}, noLostUpdate},
		{"pages repeat, drop, or lose the filter", []string{"microsoft/fhir-server/issues/1792", "microsoft/fhir-server/issues/860", "hapifhir/hapi-fhir/issues/6549"}, pagesAreWhole},
		{"a filter that is not known is dropped in silence", []string{"HeliosSoftware/hfs/issues/474", "LinuxForHealth/FHIR/issues/260", "microsoft/fhir-server/issues/612"}, noFilterIsDropped},
		{"dates are compared without their zone", []string{"hapifhir/hapi-fhir/issues/1334", "LinuxForHealth/FHIR/issues/1680", "samply/blaze/issues/1498"}, zonesCount},
		{"an offset is made up or rewritten", []string{"LinuxForHealth/hl7v2-fhir-converter/issues/55", "CDCgov/prime-reportstream/issues/6469", "samply/blaze/issues/284"}, offsetsStay},
		{"notifications are lost, doubled, or held up by another's endpoint", []string{"hapifhir/hapi-fhir/issues/6002", "hapifhir/hapi-fhir/issues/5208", "medplum/medplum/issues/6293"}, toldSurely},
		{"what was made is not found yet", []string{"hapifhir/hapi-fhir/issues/1389", "hapifhir/hapi-fhir/issues/4345", "microsoft/fhir-server/issues/2566"}, readYourWrites},
		{"errors are HTML, a stack trace, or nothing", []string{"microsoft/fhir-server/issues/2230", "microsoft/fhir-server/issues/587", "HealthIntersections/FHIRsmith/issues/100"}, errorsAreOutcomes},
		{"transactions at once fail each other", []string{"microsoft/fhir-server/issues/5592", "LinuxForHealth/FHIR/issues/3539", "samply/blaze/issues/69"}, transactionsAtOnce},
		{"an answer belongs to another message", []string{"nextgenhealthcare/connect/issues/1314", "nextgenhealthcare/connect/issues/1441", "nextgenhealthcare/connect/issues/734"}, answersNameTheirMessage},
		{"the CapabilityStatement is not true", []string{"onc-healthit/inferno-community/issues/110", "microsoft/fhir-server/issues/5617", "HealthIntersections/fhirserver/issues/16"}, statementIsTrue}, //nolint:misspell // a name
		{"the log tells of patients", []string{"medplum/medplum/issues/8812", "hapifhir/hapi-fhir/issues/4142", "hapifhir/hapi-fhir/issues/4537"}, logTellsNothing},
		{"includes are missing, repeated, or never end", []string{"LinuxForHealth/FHIR/issues/346", "LinuxForHealth/FHIR/issues/1557", "hapifhir/hapi-fhir/issues/5192"}, includesAreWhole},
		{"a JSON Patch that changes nothing makes a version", []string{"LinuxForHealth/FHIR/issues/2720", "hapifhir/hapi-fhir/issues/7578", "medplum/medplum/issues/1263"}, patchesAreExact},
		{"validation takes seconds and asks the network", []string{"hapifhir/hapi-fhir/issues/6091", "hapifhir/org.hl7.fhir.core/issues/2262", "ahdis/matchbox/issues/257"}, validationIsQuick},
		{"a message is stuck, or a repeat is swallowed", []string{"nats-io/nats-server/issues/5564", "nats-io/nats-server/issues/7302", "nats-io/nats-server/issues/2921"}, messagesAreNotStuck},
		{"nobody can ask what is due, and what is late is locked", []string{"medplum/medplum/issues/2133", "medplum/medplum/issues/8345", "opensrp/fhircore/issues/1511"}, dueIsAsked},
		{"what a model does not know is lost", []string{"samply/golang-fhir-models/issues/1", "samply/golang-fhir-models/issues/12", "samply/golang-fhir-models/issues/23"}, nothingIsLost},
	}
}

// TestComplaints plays each against the real program on PostgreSQL, each with a patient of
// its own. Two more have a site of their own, see TestComplaintsOfSites.
func TestComplaints(t *testing.T) {
	t.Parallel()
	p := launch(t, nil, "sandbox", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0", "--clock", "manual", "--now", "2025-03-04T10:00:00Z",
		"--data", t.TempDir(), "--database", database(t)).ready(t)
	for i, c := range knownComplaints() {
		for _, s := range c.source {
			require.Regexp(t, `^[\w.-]+/[\w.-]+/issues/\d+$`, s)
		}
		t.Run(c.about, func(t *testing.T) {
			w := joined(t, p)
			own := bedside.NewCase(300+i, "diagnostic", at("10:00"))
			w.send(own.Event())
			w.find(own)
			c.test(w)
		})
	}
}

// ask makes a request with headers written "Name: value".
func (w *ward) ask(method, path, body string, headers ...string) bedside.Answer {
	w.Helper()
	h := http.Header{}
	for _, line := range headers {
		name, value, _ := strings.Cut(line, ": ")
		h.Set(name, value)
	}
	a, err := w.client.Do(w.Context(), method, path, []byte(body), h)
	require.NoError(w, err)
	return a
}

// page is a searchset as a client reads it.
type page struct {
	Total int
	Link  []struct{ Relation, URL string }
	Entry []struct {
		Resource struct {
			ResourceType, ID string
			Meta             struct{ VersionID string }
		}
		Search struct{ Mode string }
	}
}

// search reads a page; path is below the root, as in links.
func (w *ward) search(path string) page {
	w.Helper()
	a := w.ask(http.MethodGet, path, "")
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	return readPage(w, a)
}

func readPage(w *ward, a bedside.Answer) (p page) {
	w.Helper()
	require.NoError(w, json.Unmarshal(a.Body, &p))
	return p
}

func (p page) link(relation string) string {
	for _, l := range p.Link {
		if l.Relation == relation {
			u, err := url.Parse(l.URL)
			if err != nil {
				panic(err) // the service wrote it
			}
			return u.RequestURI()
		}
	}
	return ""
}

func (p page) ids(mode string) []string {
	var ids []string
	for _, e := range p.Entry {
		if e.Search.Mode == mode {
			ids = append(ids, e.Resource.ID)
		}
	}
	return ids
}

// look is a dry look at the wrist of the ward's patient; more are members of its JSON.
func (w *ward) look(when string, more ...string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","status":"final","subject":{"reference":%q},"performer":[{"display":"Nurse Makebelieve"}],
		"code":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"access-site-bleeding"}]},
		"valueCodeableConcept":{"coding":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"122033"}]},"effectiveDateTime":%q%s}`,
		w.patient, when, strings.Join(append([]string{""}, more...), ","))
}

// atOnce does n things side by side and gives the statuses of their answers.
func (w *ward) atOnce(n int, do func(i int) (bedside.Answer, error)) []bedside.Answer {
	w.Helper()
	answers, faults := make([]bedside.Answer, n), make([]error, n)
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() { answers[i], faults[i] = do(i) })
	}
	all.Wait()
	for _, err := range faults {
		require.NoError(w, err)
	}
	return answers
}

func statuses(answers []bedside.Answer) map[int]int {
	count := map[int]int{}
	for _, a := range answers {
		count[a.Status]++
	}
	return count
}

// 32 ask at once for one that is not there; later ones find the one that was made.
func createdOnce(w *ward) {
	const n = 32
	condition := "identifier=https://screen.example/entry|once"
	body := w.look("2025-03-04T09:59:00Z", `"identifier":[{"system":"https://screen.example/entry","value":"once"}]`)
	answers := w.atOnce(n, func(int) (bedside.Answer, error) {
		return w.client.Do(w.Context(), http.MethodPost, "/fhir/Observation", []byte(body), http.Header{"If-None-Exist": {condition}})
	})
	require.Equal(w, map[int]int{201: 1, 200: n - 1}, statuses(answers))
	require.Len(w, w.search("/fhir/Observation?"+condition).Entry, 1)
	require.Equal(w, http.StatusOK, w.ask(http.MethodPost, "/fhir/Observation", body, "If-None-Exist: "+condition).Status)
}

// 16 claim one Task at the same version, alone and in transactions: one has it, and the others
// are told 412, as R4 says (hl7.org/fhir/R4/http.html#concurrency).
func noLostUpdate(w *ward) {
	const n = 16
	task := w.task("arrival-check/1")
	tag := `W/"` + task.VersionID + `"`
	answers := w.atOnce(n, func(i int) (bedside.Answer, error) {
		patch := fmt.Sprintf(`[{"op":"replace","path":"/status","value":"in-progress"},{"op":"add","path":"/owner","value":{"display":"Nurse %d"}}]`, i)
		if i%2 == 0 {
			return w.client.Do(w.Context(), http.MethodPatch, "/fhir/Task/"+task.ID, []byte(patch),
				http.Header{"If-Match": {tag}, "Content-Type": {"application/json-patch+json"}})
		}
		entry, err := json.Marshal(map[string]any{
			"request":  map[string]string{"method": "PATCH", "url": "Task/" + task.ID, "ifMatch": tag},
			"resource": map[string]any{"resourceType": "Binary", "contentType": "application/json-patch+json", "data": []byte(patch)},
		})
		if err != nil {
			return bedside.Answer{}, err
		}
		return w.client.Do(w.Context(), http.MethodPost, "/fhir", []byte(`{"resourceType":"Bundle","type":"transaction","entry":[`+string(entry)+`]}`), nil)
	})
	require.Equal(w, map[int]int{200: 1, 412: n - 1}, statuses(answers))
	require.Equal(w, "in-progress", w.task("arrival-check/1").Status)
}

// 30 with one time, sought by POST: each once, filters kept, next where there is one, self true.
func pagesAreWhole(w *ward) {
	want := map[string]bool{}
	for range 30 {
		a := w.ask(http.MethodPost, "/fhir/Observation", w.look("2025-03-04T09:59:00Z"))
		require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
		var o struct{ ID string }
		require.NoError(w, json.Unmarshal(a.Body, &o))
		want[o.ID] = true
	}
	form := "code=access-site-bleeding&_sort=date&_count=7&patient=" + w.patient
	a := w.ask(http.MethodPost, "/fhir/Observation/_search", form, "Content-Type: application/x-www-form-urlencoded")
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	p := readPage(w, a)
	require.Contains(w, p.link("self"), "access-site-bleeding")
	got := map[string]bool{}
	for pages := 1; ; pages++ {
		require.Equal(w, 30, p.Total)
		for _, id := range p.ids("match") {
			require.False(w, got[id], "%s is on two pages", id)
			got[id] = true
		}
		next := p.link("next")
		if next == "" {
			require.Equal(w, 5, pages)
			break
		}
		require.NotContains(w, next, strings.TrimPrefix(w.patient, "Patient/"), "what was sought by POST is in no URL")
		p = w.search(next)
	}
	require.Equal(w, want, got)
}

// Strict, the search is refused; lenient, it says what it left out, and self is without it.
func noFilterIsDropped(w *ward) {
	w.wantOutcome(w.ask(http.MethodGet, "/fhir/Task?ward=3&status=ready", ""), 400, "not-supported")
	a := w.ask(http.MethodGet, "/fhir/Task?ward=3&status=ready", "", "Prefer: handling=lenient")
	p := readPage(w, a)
	require.Len(w, p.ids("outcome"), 1)
	require.Contains(w, string(a.Body), `\"ward\"`)
	require.NotContains(w, p.link("self"), "ward")
	require.Contains(w, p.link("self"), "status=ready")
}

// In the night when clocks go back, 02:30 is twice. The later of two looks that the clock on
// the wall shows as earlier is the later one; and a date is compared as an instant.
func zonesCount(w *ward) {
	for _, when := range []string{"2024-10-27T02:50:00+02:00", "2024-10-27T02:10:00+01:00"} { // 00:50Z, 01:10Z
		require.Equal(w, http.StatusCreated, w.ask(http.MethodPost, "/fhir/Observation", w.look(when)).Status)
	}
	times := func(query string) (out []string) {
		found, err := w.client.Search(w.Context(), "Observation?code=access-site-bleeding&patient="+w.patient+"&"+query)
		require.NoError(w, err)
		for _, body := range found {
			var o struct{ EffectiveDateTime string }
			require.NoError(w, json.Unmarshal(body, &o))
			out = append(out, o.EffectiveDateTime)
		}
		return out
	}
	require.Equal(w, []string{"2024-10-27T02:50:00+02:00", "2024-10-27T02:10:00+01:00"}, times("_sort=date"))
	require.Equal(w, []string{"2024-10-27T02:10:00+01:00"}, times("date=ge2024-10-27T01:00:00Z"))
	require.Equal(w, []string{"2024-10-27T02:10:00+01:00"}, times("date=gt2024-10-27T02:55:00%2B02:00"))
	// An interval is added to an instant: the first release is 60 minutes after the start, whatever
	// the clock on the wall does then.
	require.Equal(w, at("11:00"), w.task("release-step/1").Start.UTC())
}

// A time without an offset is refused, and one with an offset comes back as it was written
// (hl7.org/fhir/R4/datatypes.html#dateTime).
func offsetsStay(w *ward) {
	w.wantOutcome(w.ask(http.MethodPost, "/fhir/Observation", w.look("2025-03-04T09:59:00")), 400, "value")
	const when = "2025-03-04T15:28:30.50+05:30"
	a := w.ask(http.MethodPost, "/fhir/Observation", w.look(when))
	require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
	require.Contains(w, string(a.Body), `"effectiveDateTime":"`+when+`"`)
}

// Twenty times, at once: what is answered can be sought, and the plan with the event.
func readYourWrites(w *ward) {
	w.atOnce(20, func(i int) (bedside.Answer, error) {
		mark := fmt.Sprintf("ryw-%d", i)
		a, err := w.client.Create(w.Context(), "Observation", []byte(w.look("2025-03-04T09:59:00Z", `"identifier":[{"value":"`+mark+`"}]`)))
		if err != nil {
			return a, err
		}
		found, err := w.client.Search(w.Context(), "Observation?identifier="+mark)
		if err == nil && len(found) != 1 {
			err = fmt.Errorf("%s: %d found", mark, len(found))
		}
		return a, err
	})
	c := bedside.NewCase(390, "diagnostic", at("10:00"))
	require.Equal(w, http.StatusOK, w.processMessage(c.Event()).Status)
	w.find(c)
}

// Whatever is wrong, and whoever finds it, the answer is an OperationOutcome of status 4xx.
func errorsAreOutcomes(w *ward) {
	fhirJSON := "Content-Type: application/fhir+json"
	for _, tt := range []struct{ method, path, body, header string }{
		{"GET", "/fhir/Nonsense/1", "", ""},
		{"GET", "/fhir/Task/none", "", ""},
		{"GET", "/fhir/Task/%00", "", ""},
		{"GET", "/nowhere", "", ""},
		{"DELETE", "/fhir/Task/1", "", ""},
		{"GET", "/fhir/Task?_count=many", "", ""},
		{"GET", "/fhir/Task?due-date=%07", "", ""},
		{"GET", "/fhir/Task", "", "Accept: text/html"},
		{"POST", "/fhir/Observation", "{", fhirJSON},
		{"POST", "/fhir/Observation", "<Observation/>", "Content-Type: application/fhir+xml"},
		{"POST", "/fhir/Observation", `{"resourceType":"Observation"}`, fhirJSON},
		{"POST", "/fhir/Observation", strings.Repeat(" ", 2<<20), fhirJSON},
		{"POST", "/fhir/Observation", strings.Repeat("[", 5000), fhirJSON},
		{"POST", "/fhir/Observation", `{}`, "Content-Encoding: gzip"},
		{"PATCH", "/fhir/Task/" + w.task("arrival-check/1").ID, "[1]", "Content-Type: application/json-patch+json"},
		{"POST", "/fhir", `{"resourceType":"Bundle","type":"transaction","entry":[{}]}`, fhirJSON},
		{"POST", "/fhir/$process-message", `{"resourceType":"Bundle","type":"message"}`, fhirJSON},
	} {
		var headers []string
		if tt.header != "" {
			headers = append(headers, tt.header)
		}
		a := w.ask(tt.method, tt.path, tt.body, headers...)
		what := tt.method + " " + tt.path + " " + tt.header
		require.GreaterOrEqual(w, a.Status, 400, what)
		require.Less(w, a.Status, 500, what)
		require.Equal(w, "application/fhir+json; charset=utf-8", a.Header.Get("Content-Type"), what)
		require.NotEmpty(w, readOutcome(w, a.Body).Issue[0].Details.Text, what)
		w.wantStrict(a.Body)
		for _, inside := range []string{"goroutine", ".go:", "SQLSTATE", "<html"} {
			require.NotContains(w, string(a.Body), inside, what)
		}
	}
}

// 24 transactions touch the same two Tasks in either order. Each is done whole or not at all;
// what is not done says that it may be tried again, or that another was first.
func transactionsAtOnce(w *ward) {
	const n = 24
	tasks := []string{w.task("arrival-check/1").ID, w.task("site-check/1").ID}
	note := func(i int) string {
		return fmt.Sprintf(`[{"op":"add","path":"/note","value":[{"text":"noted %d"}]}]`, i)
	}
	answers := w.atOnce(n, func(i int) (bedside.Answer, error) {
		order := slices.Clone(tasks)
		if i%2 == 1 {
			slices.Reverse(order)
		}
		entries := []any{map[string]any{
			"request":  map[string]string{"method": "POST", "url": "Observation"},
			"resource": json.RawMessage(w.look("2025-03-04T09:58:00Z", fmt.Sprintf(`"identifier":[{"value":"tx-%d"}]`, i))),
		}}
		for _, id := range order {
			entries = append(entries, map[string]any{
				"request":  map[string]string{"method": "PATCH", "url": "Task/" + id},
				"resource": map[string]any{"resourceType": "Binary", "contentType": "application/json-patch+json", "data": []byte(note(i))},
			})
		}
		body, err := json.Marshal(map[string]any{"resourceType": "Bundle", "type": "transaction", "entry": entries})
		if err != nil {
			return bedside.Answer{}, err
		}
		return w.client.Do(w.Context(), http.MethodPost, "/fhir", body, nil)
	})
	for i, a := range answers {
		done := a.Status == http.StatusOK
		if !done {
			require.Contains(w, []int{409, 412, 422, 503}, a.Status, string(a.Body))
			require.Equal(w, a.Status == 503, a.Header.Get("Retry-After") != "")
		}
		found := w.search(fmt.Sprintf("/fhir/Observation?identifier=tx-%d", i))
		require.Len(w, found.Entry, map[bool]int{true: 1, false: 0}[done], "whole or not at all: %s", a.Body)
	}
	require.Positive(w, statuses(answers)[http.StatusOK])
}

// HL7 v2 over MLLP is not served; what its users complain of is true of every door. An answer
// names the message that it answers, comes after what it tells is stored, and comes again the same
// for a repeat (hl7.org/fhir/R4/messageheader.html, response.identifier).
func answersNameTheirMessage(w *ward) {
	var cases []bedside.Case
	for i := range 8 {
		cases = append(cases, bedside.NewCase(400+i, "diagnostic", at("10:00")))
	}
	twice := append(slices.Clone(cases), cases...)
	answers := w.atOnce(len(twice), func(i int) (bedside.Answer, error) {
		return w.client.Do(w.Context(), http.MethodPost, "/fhir/$process-message", twice[i].Event(), nil)
	})
	for i, a := range answers {
		require.Equal(w, http.StatusOK, a.Status, string(a.Body))
		require.Contains(w, string(a.Body), `"response":{"identifier":"`+twice[i].Message+`","code":"ok"`)
		require.Equal(w, string(answers[i%len(cases)].Body), string(a.Body), "a repeat gets the first answer")
		joined(w, w.process).find(twice[i])
	}
}
