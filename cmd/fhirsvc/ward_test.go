package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
	"fhirsvc/internal/workflow"
)

// backend is a store that the whole service is tried on.
type backend struct {
	name string
	args func(t *testing.T) []string // of the sandbox, the same at every start
}

func backends() []backend {
	return []backend{
		{"embedded", func(t *testing.T) []string { return []string{"--data", t.TempDir()} }},
		{"postgres", func(t *testing.T) []string { return []string{"--data", t.TempDir(), "--database", database(t)} }},
	}
}

// onEach runs a test on both stores.
func onEach(t *testing.T, test func(t *testing.T, w *ward)) {
	t.Helper()
	for _, b := range backends() {
		t.Run(b.name, func(t *testing.T) {
			t.Parallel()
			w := &ward{TB: t, args: b.args(t)}
			w.start("--now", "2025-03-04T10:00:00Z")
			test(t, w)
			if !w.process.hasEnded() {
				w.keep()
			}
		})
	}
}

// ward is a test's hand on a service with a manual clock, over the wire alone.
type ward struct {
	testing.TB
	args    []string
	process *process
	client  *bedside.Client
	entries int // makes an identifier for each charted finding

	patient   string // Patient/id
	procedure string // Procedure/id
	plan      string // CarePlan/id
}

// start runs the sandbox on the ward's data.
func (w *ward) start(more ...string) {
	w.Helper()
	args := append([]string{"sandbox", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0", "--clock", "manual"}, w.args...)
	w.connect(launch(w, nil, append(args, more...)...).ready(w))
}

// connect makes the process the ward's.
func (w *ward) connect(p *process) {
	w.Helper()
	client, err := bedside.Dial(p.http, p.nats)
	require.NoError(w, err)
	w.Cleanup(client.Close)
	w.process, w.client = p, client
}

// joined is a ward on a process that runs.
func joined(t testing.TB, p *process) *ward {
	t.Helper()
	w := &ward{TB: t}
	w.connect(p)
	return w
}

// powerCut kills the service and starts it again on the same data.
func (w *ward) powerCut() {
	w.Helper()
	w.process.kill()
	w.client.Close()
	w.start()
}

// at gives an instant of the story's day.
func at(clock string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", "2025-03-04 "+clock)
	if err != nil {
		panic(err)
	}
	return t
}

// turn turns the clock.
func (w *ward) turn(clock string) {
	w.Helper()
	require.NoError(w, w.client.Turn(w.Context(), at(clock)))
}

// send publishes an event and waits until it is taken in.
func (w *ward) send(event []byte) {
	w.Helper()
	require.NoError(w, w.client.Send(w.Context(), event))
	w.settle()
}

// settle waits until all that was sent is taken in: a turn by nothing does that first.
func (w *ward) settle() {
	w.Helper()
	now, err := w.client.Now(w.Context())
	require.NoError(w, err)
	require.NoError(w, w.client.Turn(w.Context(), now))
}

// find reads back what an event has made.
func (w *ward) find(c bedside.Case) {
	w.Helper()
	var procedure struct {
		ID      string
		Subject struct{ Reference string }
	}
	w.only("Procedure?identifier="+c.Procedure(), &procedure)
	w.procedure, w.patient = "Procedure/"+procedure.ID, procedure.Subject.Reference
	var plan struct{ ID string }
	w.only("CarePlan?patient="+w.patient, &plan)
	w.plan = "CarePlan/" + plan.ID
}

// only reads the one match of a search.
func (w *ward) only(query string, to any) {
	w.Helper()
	found, err := w.client.Search(w.Context(), query)
	require.NoError(w, err)
	require.Len(w, found, 1, query)
	require.NoError(w, json.Unmarshal(found[0], to))
}

// chart charts findings, written as "band-air-removed=3" or "hand-check=normal", now or
// at the time that is given last as "@10:15". Each carries an identifier of its own, so
// that it may be sent again.
func (w *ward) chart(findings ...string) {
	w.Helper()
	for _, body := range w.observations(findings...) {
		_, err := w.client.Create(w.Context(), "Observation", body)
		require.NoError(w, err)
	}
}

func (w *ward) observations(findings ...string) [][]byte {
	w.Helper()
	when, err := w.client.Now(w.Context())
	require.NoError(w, err)
	if last := findings[len(findings)-1]; strings.HasPrefix(last, "@") {
		when, findings = at(last[1:]), findings[:len(findings)-1]
	}
	var bodies [][]byte
	for _, text := range findings {
		code, value, _ := strings.Cut(text, "=")
		w.entries++
		f := bedside.Finding{
			Code: code, At: when, By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure, Side: "right",
			ID: fmt.Sprintf("%s-%d", w.patient, w.entries),
		}
		switch {
		case strings.HasPrefix(code, "band-air"):
			f.Amount = value
		case value == "not-performed", value == "could-not-assess":
			f.Missing = value
		default:
			f.Answer = value
		}
		bodies = append(bodies, f.Observation())
	}
	return bodies
}

// complete ends a Task that asks for no finding.
func (w *ward) complete(key string) {
	w.Helper()
	t := w.task(key)
	now, err := w.client.Now(w.Context())
	require.NoError(w, err)
	patch := fmt.Sprintf(`[{"op":"replace","path":"/status","value":"completed"},{"op":"add","path":"/executionPeriod","value":{"end":"%s"}}]`, now.Format(time.RFC3339))
	_, err = w.client.Patch(w.Context(), "Task/"+t.ID, []byte(patch))
	require.NoError(w, err)
}

func (w *ward) tasks() []bedside.Task {
	w.Helper()
	tasks, err := w.client.Tasks(w.Context(), w.patient)
	require.NoError(w, err)
	return tasks
}

// task gives the Task with the key, such as release-step/3.
func (w *ward) task(key string) bedside.Task {
	w.Helper()
	tasks := w.tasks()
	i := slices.IndexFunc(tasks, func(t bedside.Task) bool { return t.Key == key })
	require.GreaterOrEqual(w, i, 0, "there is no Task %s among\n%s", key, describe(tasks))
	return tasks[i]
}

// wantOpen compares the open Tasks, a line each in order of their due times.
func (w *ward) wantOpen(lines ...string) {
	w.Helper()
	open := slices.DeleteFunc(w.tasks(), func(t bedside.Task) bool { return !t.Open() })
	require.Equal(w, strings.Join(lines, "\n"), describe(open))
}

// describe writes Tasks as the bedside stories of the core do.
func describe(tasks []bedside.Task) string {
	var lines []string
	for _, t := range tasks {
		line := fmt.Sprintf("%s %s from=%s due=%s", t.Key, t.Status, clock(t.Start), clock(t.Due))
		if t.Planned != "" {
			line += " planned=" + t.Planned
		}
		if t.Priority != "routine" {
			line += " " + t.Priority
		}
		if t.Lateness != "" {
			line += " " + t.Lateness
		}
		lines = append(lines, line)
	}
	return strings.Join(lines, "\n")
}

func clock(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.UTC().Format("15:04")
}

// wantPlan compares the plan's status.
func (w *ward) wantPlan(status string) {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/"+w.plan, nil, nil)
	require.NoError(w, err)
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	var plan struct{ Status string }
	require.NoError(w, json.Unmarshal(a.Body, &plan))
	require.Equal(w, status, plan.Status)
}

// wantVolume compares the air in the band, which is what the steps still to come are
// planned to let out.
func (w *ward) wantVolume(millilitres string) {
	w.Helper()
	var sum workflow.Decimal
	for _, t := range w.tasks() {
		if t.Code == "release-step" && t.Open() && len(t.Outputs) == 0 {
			sum = sum.Add(workflow.MustDecimal(t.Planned))
		}
	}
	require.Zero(w, sum.Cmp(workflow.MustDecimal(millilitres)), "want %s mL in the band, got %s", millilitres, sum)
}
