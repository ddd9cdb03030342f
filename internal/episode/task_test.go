package episode

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// changed gives the body with one text replaced, which must be there.
func changed(t *testing.T, r store.Resource, from, to string) []byte {
	t.Helper()
	body := strings.Replace(string(r.Body), from, to, 1)
	require.NotEqual(t, string(r.Body), body, "%s is not there", from)
	return []byte(body)
}

func (b *bench) put(r store.Resource, body []byte, ifMatch string) (EntryResult, error) {
	return b.chartOne(Entry{Method: "PUT", Type: r.Type, ID: r.ID, IfMatch: ifMatch, Body: body})
}

func (b *bench) patch(r store.Resource, patch, ifMatch string) (EntryResult, error) {
	return b.chartOne(Entry{Method: "PATCH", Type: r.Type, ID: r.ID, IfMatch: ifMatch, Body: []byte(patch)})
}

func readTask(t *testing.T, r store.Resource) fhir.Task {
	t.Helper()
	var task fhir.Task
	require.NoError(t, json.Unmarshal(r.Body, &task))
	return task
}

// between runs an act once, between the moment at which a Task is read and the one at
// which its episode is loaded.
type between struct {
	store.Store
	act func()
}

func (s *between) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	found, err := s.Store.Gather(ctx, w)
	if act := s.act; act != nil && err == nil {
		s.act = nil
		act()
		var later store.Gathered
		later, err = s.Store.Gather(ctx, w)
		found.Episodes = later.Episodes
	}
	return found, err
}

// Two claim by the same version, and one is committed while the other is half-way: it is
// told so and takes nothing.
func TestClaimOvertakenHalfWay(t *testing.T) {
	var gap *between
	b := newBench(t, func(st store.Store) store.Store { gap = &between{Store: st}; return gap })
	b.mustSend(newEvent())
	check := b.tasks("site-check", "ready")[0]
	claim := func(by string) error {
		_, err := b.patch(check, `[{"op":"add","path":"/owner","value":{"display":"`+by+`"}}]`, `W/"1"`)
		return err
	}
	gap.act = func() { require.NoError(t, claim("first")) }
	require.Equal(t, outcome.CodeConflict, outcome.KindOf(claim("second")))
	got, err := b.Store.Read(t.Context(), "Task", check.ID)
	require.NoError(t, err)
	require.Contains(t, string(got.Body), `"first"`)
	require.EqualValues(t, 2, got.Version)
}

func TestClaimNeedsIfMatch(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	claim := changed(t, task, `"status":"ready"`, `"status":"in-progress","owner":{"display":"Nurse Abiola"}`)
	_, err := b.put(task, claim, "")
	require.Equal(t, outcome.CodeRequired, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), "Task.owner")
	_, err = b.put(task, claim, `W/"7"`)
	require.Equal(t, outcome.CodeConflict, outcome.KindOf(err))
	r, err := b.put(task, claim, fmt.Sprintf(`W/"%d"`, task.Version))
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, task.Version+1, r.Resource.Version)
	got := readTask(t, r.Resource)
	require.Equal(t, "in-progress", got.Status)
	require.Equal(t, "Nurse Abiola", got.Owner.Display)

	// A claim is information, never a lock: another may take over.
	over := changed(t, r.Resource, `"display":"Nurse Abiola"`, `"display":"Nurse Calder"`)
	r, err = b.put(r.Resource, over, fmt.Sprintf(`W/"%d"`, r.Resource.Version))
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, "Nurse Calder", readTask(t, r.Resource).Owner.Display)
	b.mustReplay(b.theEpisode())
}

func TestPutThatDiffersElsewhere(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	for from, element := range map[string]string{
		`"priority":"routine"`: "Task.priority",
		`"intent":"order"`:     "Task.intent",
		`"authoredOn":"2026`:   "Task.authoredOn",
	} {
		to := map[string]string{
			`"priority":"routine"`: `"priority":"stat"`,
			`"intent":"order"`:     `"intent":"plan"`,
			`"authoredOn":"2026`:   `"authoredOn":"2025`,
		}[from]
		_, err := b.put(task, changed(t, task, from, to), "")
		require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err), element)
		require.Contains(t, issuesOf(err), `"expression":["`+element+`"]`)
	}
	_, err := b.put(task, changed(t, task, `"status":"ready"`, `"status":"draft"`), "")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	_, err = b.put(task, changed(t, task, task.ID, "another"), "")
	require.Equal(t, outcome.CodeInvalid, outcome.KindOf(err))
}

func TestCompleteWithoutItsFindings(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	version := b.loaded(b.theEpisode()).version
	_, err := b.put(task, changed(t, task, `"status":"ready"`, `"status":"completed"`), "")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), "access-site-bleeding")
	require.Equal(t, version, b.loaded(b.theEpisode()).version)

	// Charted as not done, it may be.
	for _, code := range []string{"access-site-bleeding", "hand-check"} {
		b.mustObserve(code, `"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"not-performed"}]}`)
	}
	require.Len(t, b.tasks("site-check", "completed"), 1)
	b.mustReplay(b.theEpisode())
}

// One transaction charts the findings and completes the Task with them.
func TestTransactionChartsAndCompletes(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	const look, hand = "urn:uuid:10000000-0000-4000-8000-000000000001", "urn:uuid:10000000-0000-4000-8000-000000000002"
	output := fmt.Sprintf(`"output":[{"type":{"coding":[{"system":%q,"code":"access-site-bleeding"}]},"valueReference":{"reference":%q}},
		{"type":{"coding":[{"system":%q,"code":"hand-check"}]},"valueReference":{"reference":%q}}],"executionPeriod":{"end":"2026-03-04T09:49:00Z"},`,
		fhir.SystemLocal, look, fhir.SystemLocal, hand)
	done := changed(t, task, `"status":"ready",`, `"status":"completed",`+output)
	entries := []Entry{
		{Method: "PUT", Type: "Task", ID: task.ID, Body: done, Path: "Bundle.entry[0].resource"},
		{Method: "POST", Type: "Observation", FullURL: look, Path: "Bundle.entry[1].resource", Body: finding{code: "access-site-bleeding", value: dry(), at: b.Now()}.body()},
		{Method: "POST", Type: "Observation", FullURL: hand, Path: "Bundle.entry[2].resource", Body: finding{code: "hand-check", value: coded(fhir.SystemSNOMED, "17621005"), at: b.Now()}.body()},
	}
	version := b.loaded(b.theEpisode()).version
	results, err := b.Chart(t.Context(), nurse(), entries)
	require.NoError(t, err, issuesOf(err))
	require.Len(t, results, 3)
	require.Equal(t, version+1, b.loaded(b.theEpisode()).version, "one input")
	got := readTask(t, results[0].Resource)
	require.Equal(t, "completed", got.Status)
	require.Contains(t, string(results[0].Resource.Body), `"Observation/`+results[1].Resource.ID)
	require.NotContains(t, string(results[0].Resource.Body), "urn:uuid")

	// Completing it again changes nothing, whatever version the client still has.
	again, err := b.put(task, changed(t, task, `"status":"ready"`, `"status":"completed"`), fmt.Sprintf(`W/"%d"`, task.Version))
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, results[0].Resource.Version, again.Resource.Version)
	require.Equal(t, version+1, b.loaded(b.theEpisode()).version)
	b.mustReplay(b.theEpisode())
}

// A fault in one entry refuses all, and every fault is named with its entry.
func TestTransactionIsAllOrNothing(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	version := b.loaded(b.theEpisode()).version
	_, err := b.Chart(t.Context(), nurse(), []Entry{
		{Method: "POST", Type: "Observation", Path: "Bundle.entry[0].resource", Body: finding{code: "access-site-bleeding", value: dry(), at: b.Now()}.body()},
		{Method: "POST", Type: "Observation", Path: "Bundle.entry[1].resource", Body: finding{code: "band-air-removed", value: millilitres("-3"), at: b.Now()}.body()},
		{Method: "POST", Type: "Observation", Path: "Bundle.entry[2].resource", Body: finding{code: "hand-check", at: b.Now()}.body()},
	})
	require.Error(t, err)
	require.Contains(t, issuesOf(err), "Bundle.entry[1].resource.value.value")
	require.Contains(t, issuesOf(err), "Bundle.entry[2].resource.value")
	require.Len(t, b.all("Observation"), 1)

	// The core's own refusal, too.
	_, err = b.Chart(t.Context(), nurse(), []Entry{
		{Method: "POST", Type: "Observation", Path: "Bundle.entry[0].resource", Body: finding{code: "access-site-bleeding", value: dry(), at: b.Now()}.body()},
		{Method: "POST", Type: "Observation", Path: "Bundle.entry[1].resource", Body: finding{code: "band-air-removed", value: millilitres("99"), at: b.Now()}.body()},
	})
	require.Equal(t, outcome.CodeValue, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), "Bundle.entry[1].resource")
	require.Len(t, b.all("Observation"), 1)
	require.Equal(t, version, b.loaded(b.theEpisode()).version)
}

func TestRefusedByThePatient(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("patency-check", "ready")
	require.NotEmpty(t, task)
	_, err := b.put(task[0], changed(t, task[0], `"status":"ready"`, `"status":"rejected"`), "")
	require.Equal(t, outcome.CodeRequired, outcome.KindOf(err), "%v", err)
	r, err := b.put(task[0], changed(t, task[0], `"status":"ready"`, `"status":"rejected","statusReason":{"text":"asleep, does not want it"}`), "")
	require.NoError(t, err, issuesOf(err))
	got := readTask(t, r.Resource)
	require.Equal(t, "rejected", got.Status)
	require.Equal(t, "asleep, does not want it", got.StatusReason.Text)
}

func TestPatch(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	version := fmt.Sprintf(`W/"%d"`, task.Version)
	for name, tt := range map[string]struct {
		patch string
		want  outcome.Code
	}{
		"no patch":    {`{"status":"completed"}`, outcome.CodeStructure},
		"failed test": {`[{"op":"test","path":"/status","value":"draft"},{"op":"replace","path":"/status","value":"in-progress"}]`, outcome.CodeBusinessRule},
		"no place":    {`[{"op":"replace","path":"/owner/display","value":"x"}]`, outcome.CodeBusinessRule},
		"elsewhere":   {`[{"op":"replace","path":"/priority","value":"stat"}]`, outcome.CodeBusinessRule},
		"invalid":     {`[{"op":"replace","path":"/status","value":"finished"}]`, outcome.CodeCodeInvalid},
	} {
		_, err := b.patch(task, tt.patch, version)
		require.Equal(t, tt.want, outcome.KindOf(err), "%s: %v", name, err)
		// What the version is comes before what is in the content (RFC 9110 section 13.2.1).
		_, err = b.patch(task, tt.patch, `W/"7"`)
		require.Equal(t, outcome.CodeConflict, outcome.KindOf(err), "%s: %v", name, err)
	}
	r, err := b.patch(task, `[{"op":"test","path":"/status","value":"ready"},{"op":"replace","path":"/status","value":"in-progress"},
		{"op":"add","path":"/owner","value":{"display":"Nurse Abiola"}},
		{"op":"add","path":"/note/-","value":{"text":"hand warm, asked for water"}}]`, version)
	require.NoError(t, err, issuesOf(err))
	got := readTask(t, r.Resource)
	require.Equal(t, "in-progress", got.Status)
	require.Contains(t, string(r.Resource.Body), "hand warm, asked for water")

	look := b.mustObserve("access-site-bleeding", dry())
	r, err = b.patch(task, fmt.Sprintf(`[{"op":"add","path":"/output/-","value":{"type":{"coding":[{"system":%q,"code":"access-site-bleeding"}]},"valueReference":{"reference":"Observation/%s"}}}]`, fhir.SystemLocal, look.Resource.ID), "")
	require.NoError(t, err, issuesOf(err))
	require.Contains(t, string(r.Resource.Body), "Observation/"+look.Resource.ID)
	b.mustReplay(b.theEpisode())
}

func TestNoteOnACompletedTask(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("access-site-bleeding", dry())
	b.mustObserve("hand-check", coded(fhir.SystemSNOMED, "17621005"))
	task := b.tasks("site-check", "completed")[0]
	noted := changed(t, task, `"status":"completed",`, `"status":"completed","note":[{"text":"edge marked"}],`)
	for range 2 { // the answer may get lost
		r, err := b.put(task, noted, "")
		require.NoError(t, err, issuesOf(err))
		require.Equal(t, 1, strings.Count(string(r.Resource.Body), `"text":"edge marked"`))
		require.Equal(t, task.Version+1, r.Resource.Version)
	}
}

// A Task that was re-timed since it was read may still be completed.
func TestPutFromAnOlderVersion(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	b.wait(20 * time.Minute) // overdue by now: another version, another priority
	current, err := b.Store.Read(t.Context(), "Task", task.ID)
	require.NoError(t, err)
	require.Greater(t, current.Version, task.Version)
	r, err := b.put(task, changed(t, task, `"note":[`, `"note":[{"text":"patient in X-ray"},`), "")
	require.NoError(t, err, issuesOf(err))
	require.Contains(t, string(r.Resource.Body), "patient in X-ray")
	require.Equal(t, readTask(t, current).Priority, readTask(t, r.Resource).Priority)
}

func order(code, more string) []byte {
	return fmt.Appendf(nil, `{"resourceType":"ServiceRequest","status":"active","intent":"order",
		"code":{"coding":[{"system":%q,"code":%q}]},"subject":{"identifier":{"system":%q,"value":"4711"}},
		"requester":{"display":"Dr Falk"},"reasonCode":[{"text":"pressure 190"}]%s}`, fhir.SystemLocal, code, patients, more)
}

func TestOrders(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.wait(65 * time.Minute)
	give := func(code, more string) error {
		_, err := b.chartOne(Entry{Method: "POST", Type: "ServiceRequest", Body: order(code, more)})
		return err
	}
	require.NoError(t, give("hold", ""))
	l := b.loaded(b.theEpisode())
	require.Len(t, l.core.Orders, 1)
	require.Equal(t, "Dr Falk", l.core.Orders[0].By)
	require.Equal(t, "pressure 190", l.core.Orders[0].Reason)
	require.Empty(t, b.tasks("release-step", "ready"))
	require.NoError(t, give("resume", ""))

	for name, tt := range map[string]struct {
		code, more string
		want       outcome.Code
		at         string
	}{
		"unknown":           {"dance", "", outcome.CodeCodeInvalid, "ServiceRequest.code"},
		"pause for ever":    {"pause-release", "", outcome.CodeRequired, "ServiceRequest.occurrence.end"},
		"pause too long":    {"pause-release", `,"occurrencePeriod":{"end":"2026-03-04T13:00:00Z"}`, outcome.CodeBusinessRule, "ServiceRequest"},
		"no time":           {"override-time", "", outcome.CodeRequired, "ServiceRequest.occurrence"},
		"no volume":         {"override-volume", "", outcome.CodeRequired, "ServiceRequest.quantity"},
		"too much":          {"override-volume", `,"quantityQuantity":{"value":40,"system":"http://unitsofmeasure.org","code":"mL"}`, outcome.CodeValue, "ServiceRequest"},
		"another wrist":     {"hold", `,"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`, outcome.CodeBusinessRule, "ServiceRequest.supportingInfo"},
		"another procedure": {"hold", `,"supportingInfo":[{"reference":"Procedure/x"}]`, outcome.CodeBusinessRule, "ServiceRequest.supportingInfo"},
	} {
		err := give(tt.code, tt.more)
		require.Equal(t, tt.want, outcome.KindOf(err), "%s: %v", name, err)
		require.Contains(t, issuesOf(err), `"expression":["`+tt.at+`"]`, name)
	}
	require.Len(t, b.all("ServiceRequest"), 2)
	require.NoError(t, give("stop-plan", ""))
	require.Equal(t, workflow.PlanRevoked, b.loaded(b.theEpisode()).core.Plan.Status)
	b.mustReplay(b.theEpisode())
}

func TestOrderNeedsOnePlan(t *testing.T) {
	b, right, _ := twoWrists(t)
	e := Entry{Method: "POST", Type: "ServiceRequest", Body: order("hold", "")}
	_, err := b.chartOne(e)
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	e.Body = order("hold", `,"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]`)
	r, err := b.chartOne(e)
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, right, r.Resource.Episode)
}

func TestOutputOfAnotherEpisode(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	task := b.tasks("site-check", "ready")[0]
	_, err := b.patch(task, fmt.Sprintf(`[{"op":"add","path":"/output/-","value":{"type":{"coding":[{"system":%q,"code":"hand-check"}]},"valueReference":{"reference":"Observation/nobody"}}}]`, fhir.SystemLocal), "")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err), "%v", err)
}

func TestNotTakenIn(t *testing.T) {
	b := newBench(t, nil)
	for _, e := range []Entry{
		{Method: "POST", Type: "Task"}, {Method: "DELETE", Type: "Observation"}, {Method: "PUT", Type: "CarePlan"},
	} {
		_, err := b.chartOne(e)
		require.Equal(t, outcome.CodeNotSupported, outcome.KindOf(err))
	}
}

// A Task is completed while somebody is about to claim it: the claim is refused, and not
// taken for a repeat of the completion. Found by a fault run (seed 105).
func TestClaimOfACompletedTask(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("access-site-bleeding", dry())
	task := b.tasks("site-check", "ready")[0]
	const complete = `[{"op":"replace","path":"/status","value":"completed"}]`
	claim := func(ifMatch string) error {
		_, err := b.patch(task, `[{"op":"add","path":"/owner","value":{"display":"Nurse Makebelieve"}}]`, ifMatch)
		return err
	}
	b.mustObserve("hand-check", coded(fhir.SystemSNOMED, "17621005"))
	done := b.tasks("site-check", "completed")[0]
	seen := func(r store.Resource) string { return fmt.Sprintf(`W/"%d"`, r.Version) }
	require.Greater(t, done.Version, task.Version)
	require.Equal(t, outcome.CodeConflict, outcome.KindOf(claim(seen(task))), "seen before it was completed")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(claim(seen(done))), "seen completed")
	_, err := b.patch(task, complete, seen(task))
	require.NoError(t, err, "completing what is completed is no fault, whatever was seen")
	got, err := b.Store.Read(t.Context(), "Task", task.ID)
	require.NoError(t, err)
	require.Equal(t, done.Version, got.Version)
}
