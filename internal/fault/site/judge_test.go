package site

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// sound is a small run of which everything is in order.
func sound() ([]story, *history, *record) {
	start := time.Date(2025, 3, 4, 10, 0, 0, 0, time.UTC)
	s := story{patient: 1, kase: bedside.NewCase(1001, "diagnostic", start), entries: []entry{
		{finding: bedside.Finding{ID: "entry-1-0", Code: "band-air-removed", Amount: "3", At: start.Add(time.Hour)}, amend: "2"},
	}}
	h := newHistory()
	h.events[1], h.entries["entry-1-0"], h.amended["entry-1-0"] = true, "o1", true
	h.claims = []claim{{task: "Task/t1", matched: 1, owner: "Nurse A"}}
	r := &record{versions: map[string][]json.RawMessage{}, current: map[string]json.RawMessage{}, books: map[string]string{"CarePlan/c1": "13 mL, known"}, hooked: map[string]int{"Task/t1": 2}}
	put := func(at, rest string) {
		kind, id, _ := strings.Cut(at, "/")
		n := len(r.versions[at]) + 1
		body := fmt.Appendf(nil, `{"resourceType":%q,"id":%q,"meta":{"versionId":"%d"}%s}`, kind, id, n, rest)
		r.versions[at], r.current[at] = append(r.versions[at], body), body
		r.told = append(r.told, change{Type: kind, ID: id, VersionID: fmt.Sprint(n), Episode: "e1", Seq: len(r.told)})
	}
	token := strings.Split(s.kase.Procedure(), "|")
	put("Procedure/p1", fmt.Sprintf(`,"identifier":[{"system":%q,"value":%q}],"subject":{"reference":"Patient/a"}`, token[0], token[1]))
	put("CarePlan/c1", `,"subject":{"reference":"Patient/a"}`)
	const task = `,"code":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"site-check"}]},"for":{"reference":"Patient/a"},"status":"ready"`
	put("Task/t1", task)
	put("Task/t1", task+`,"owner":{"display":"Nurse A"}`)
	put("Observation/o1", `,"identifier":[{"value":"entry-1-0"}],"status":"final"`)
	put("Observation/o1", `,"identifier":[{"value":"entry-1-0"}],"status":"corrected","effectiveDateTime":"2025-03-04T11:00:00.000Z","valueQuantity":{"value":2}`)
	due := start.Add(time.Hour)
	r.witnessed = []witnessed{
		{Episode: "e1", Version: 1, Due: &due, At: start},
		{Episode: "e1", Version: 2, At: due.Add(500 * time.Millisecond), Kind: "elapsed"},
	}
	var probes []probe
	for at := due.Add(-time.Second); at.Before(due.Add(10 * time.Second)); at = at.Add(100 * time.Millisecond) {
		probes = append(probes, probe{asked: at, told: at.Add(50 * time.Millisecond), ready: true, able: true})
	}
	r.probes = [][]probe{probes}
	return []story{s}, h, r
}

// The checker finds nothing wrong with what is sound, and each thing that is wrong alone.
func TestChecker(t *testing.T) {
	stories, h, r := sound()
	require.Empty(t, check(stories, h, r))
	replace := func(r *record, at, from, to string) {
		last := len(r.versions[at]) - 1
		body := json.RawMessage(strings.Replace(string(r.versions[at][last]), from, to, 1))
		r.versions[at][last], r.current[at] = body, body
	}
	for name, tt := range map[string]struct {
		spoil func(h *history, r *record)
		says  string
	}{
		"an answer that nobody should get": {func(h *history, _ *record) { h.complain("HTTP 500") }, "HTTP 500"},
		"a gap in the versions":            {func(_ *history, r *record) { r.versions["Task/t1"] = r.versions["Task/t1"][1:] }, "version 2 stands where 1 should"},
		"a search that lags":               {func(_ *history, r *record) { r.current["Task/t1"] = r.versions["Task/t1"][0] }, "a search gives version 1"},
		"an event that is lost": {func(_ *history, r *record) {
			replace(r, "Procedure/p1", "P-1001", "P-9999")
		}, "is there 0 times"},
		"a second plan": {func(_ *history, r *record) {
			r.versions["CarePlan/c2"], r.current["CarePlan/c2"] = r.versions["CarePlan/c1"], r.current["CarePlan/c1"]
		}, "has the plans"},
		"air that does not add up": {func(_ *history, r *record) { r.books["CarePlan/c1"] = "12 mL, known" }, "the entries add up"},
		"nobody looks at the site": {func(_ *history, r *record) { replace(r, "Task/t1", `"ready"`, `"completed"`) }, "nobody is asked to look"},
		"an entry that is lost":    {func(_ *history, r *record) { delete(r.current, "Observation/o1") }, "is there as []"},
		"an entry that is there twice": {func(_ *history, r *record) {
			r.versions["Observation/o2"], r.current["Observation/o2"] = r.versions["Observation/o1"], r.current["Observation/o1"]
		}, "is there as ["},
		"a correction that is lost": {func(_ *history, r *record) { replace(r, "Observation/o1", `"value":2`, `"value":3`) }, "want corrected 2 mL"},
		"a claim that is lost":      {func(_ *history, r *record) { replace(r, "Task/t1", "Nurse A", "Nurse B") }, `the owner "Nurse B"`},
		"two claims of one version": {func(h *history, _ *record) { h.claims = append(h.claims, h.claims[0]) }, "both claimed"},
		"what was finished is not": {func(_ *history, r *record) {
			r.versions["Task/t1"][0] = json.RawMessage(strings.Replace(string(r.versions["Task/t1"][0]), `"ready"`, `"completed"`, 1))
		}, "was completed and is ready"},
		"a change that is not told":     {func(_ *history, r *record) { r.told = r.told[:5] }, "2 versions of Observation/o1 are stored, 1 were told"},
		"a change told before its time": {func(_ *history, r *record) { r.told[2], r.told[3] = r.told[3], r.told[2] }, "version 2 of Task/t1 was told after 0"},
		"steps in disorder":             {func(_ *history, r *record) { r.told[1].Seq = 9 }, "was told after step 9"},
		"something told and not stored": {func(_ *history, r *record) {
			r.told = append(r.told, change{Type: "Flag", ID: "f1", VersionID: "1", Episode: "e1", Seq: 9})
		}, "is not stored"},
		"an endpoint that was not told":   {func(_ *history, r *record) { r.hooked["Task/t1"] = 1 }, "the endpoint took 1"},
		"an endpoint told in disorder":    {func(_ *history, r *record) { r.disorder = []string{"Task/t1/2"} }, "before the version ahead"},
		"an event refused":                {func(_ *history, r *record) { r.rejected = 1 }, "events were refused"},
		"an input in quarantine":          {func(_ *history, r *record) { r.kept = 1 }, "in quarantine"},
		"an archive that differs":         {func(_ *history, r *record) { r.astray = "+1 Task" }, "the archive differs"},
		"a record that gives other state": {func(_ *history, r *record) { r.replay = []string{"no longer"} }, "no longer"},
		"a due time missed":               {func(_ *history, r *record) { r.witnessed[1].At = r.witnessed[1].At.Add(4 * time.Second) }, "of which a replica was able to work"},
		"a due time before its time": {func(_ *history, r *record) {
			r.witnessed[1].At = r.witnessed[0].Due.Add(-time.Millisecond)
		}, "was done at"},
		"a step that is missing": {func(_ *history, r *record) { r.witnessed[1].Version = 3 }, "from version 1 to 3"},
	} {
		t.Run(name, func(t *testing.T) {
			stories, h, r := sound()
			tt.spoil(h, r)
			require.Contains(t, strings.Join(check(stories, h, r), "\n"), tt.says)
		})
	}
	t.Run("a step of the clock by which it is judged is no lateness", func(t *testing.T) {
		stories, h, r := sound()
		r.witnessed[1].At, r.turned = r.witnessed[1].At.Add(4*time.Second), 3*time.Second
		require.Empty(t, check(stories, h, r))
		r.witnessed[1].At = r.witnessed[0].Due.Add(-2 * time.Second)
		require.Empty(t, check(stories, h, r))
	})
	t.Run("an outage is no lateness", func(t *testing.T) {
		stories, h, r := sound()
		r.witnessed[1].At = r.witnessed[1].At.Add(4 * time.Second)
		for i := range r.probes[0] {
			r.probes[0][i].able = i < 10 || i > 45
		}
		require.Empty(t, check(stories, h, r))
	})
}

// The same seed draws the same people and faults.
func TestSeedsGiveTheSameRun(t *testing.T) {
	now := time.Date(2025, 3, 4, 10, 0, 0, 0, time.UTC)
	require.Equal(t, tell(7, 1, now), tell(7, 1, now))
	require.NotEqual(t, tell(7, 1, now), tell(8, 1, now))
	every := regexp.MustCompile("")
	all := func(kind) bool { return true }
	require.Equal(t, drawFaults(7, all, every), drawFaults(7, all, every))
}
