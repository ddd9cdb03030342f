package episode

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
)

var updateFields = flag.Bool("update", false, "rewrite the golden outcomes of the table of fields in docs/integrate.md")

const (
	integratePage = "../../docs/integrate.md"
	fullEvent     = "../../docs/example/event-intervention.json"
)

// fieldRow is a row of the table of fields: which field, what it is for, and what happens
// when it is missing.
var fieldRow = regexp.MustCompile("(?m)^\\| `((?:[A-Z][A-Za-z]+)(?:\\([a-z0-9-]+\\))?[A-Za-z.]*)` \\| ([^|]*) \\| ([^|]*) \\|$")

// Each row of the page's table of fields: the field is taken out of the whole sample event,
// and what happens at the intake is what the row says.
func TestFieldsOfAnEvent(t *testing.T) {
	page, err := os.ReadFile(integratePage)
	require.NoError(t, err)
	rows := fieldRow.FindAllStringSubmatch(string(page), -1)
	require.NotEmpty(t, rows)
	told := map[string]bool{}
	for _, row := range rows {
		require.False(t, told[row[1]], "%s stands twice", row[1])
		told[row[1]] = true
	}
	wantEveryField(t, told)
	whole := takenIn(t, sampleEvent(t))
	require.Empty(t, whole.refused)
	require.Empty(t, whole.warnings)
	for _, row := range rows {
		got := takenIn(t, without(t, sampleEvent(t), row[1])).beside(whole)
		if *updateFields {
			page = []byte(strings.Replace(string(page), row[0], fmt.Sprintf("| `%s` | %s | %s |", row[1], row[2], got), 1))
			continue
		}
		require.Equal(t, row[3], got, "without %s", row[1])
	}
	if *updateFields {
		require.NoError(t, os.WriteFile(integratePage, page, 0o600))
	}
}

// wantEveryField: no element of the sample is without a row of its own, or of its parts.
func wantEveryField(t *testing.T, told map[string]bool) {
	t.Helper()
	bundle := sampleEvent(t)
	want := map[string]bool{}
	for _, entry := range list(bundle["entry"]) {
		resource := object(object(entry)["resource"])
		name := nameOf(resource)
		require.True(t, told[name], "no row for %s", name)
		if plain, _, found := strings.Cut(name, "("); found && plain == "Observation" && name != "Observation(band-air-volume)" {
			continue // read as that of the air is
		}
		for element := range resource {
			want[name+"."+element] = element != "resourceType"
		}
	}
	want["Bundle.type"], want["Bundle.timestamp"] = true, true
	for field, needed := range want {
		inRow := func(row string) bool { return row == field || strings.HasPrefix(row, field+".") }
		require.True(t, !needed || slices.ContainsFunc(slices.Collect(maps.Keys(told)), inRow), "no row for %s", field)
	}
}

func object(v any) map[string]any { o, _ := v.(map[string]any); return o }
func list(v any) []any            { l, _ := v.([]any); return l }

func sampleEvent(t *testing.T) map[string]any {
	t.Helper()
	body, err := os.ReadFile(fullEvent)
	require.NoError(t, err)
	decoder := json.NewDecoder(strings.NewReader(string(body)))
	decoder.UseNumber()
	var bundle map[string]any
	require.NoError(t, decoder.Decode(&bundle))
	return bundle
}

// nameOf is how a row names a resource: its type, and of an Observation its code.
func nameOf(resource map[string]any) string {
	name := fmt.Sprint(resource["resourceType"])
	if codings := list(object(resource["code"])["coding"]); name == "Observation" && len(codings) > 0 {
		name += fmt.Sprintf("(%s)", object(codings[0])["code"])
	}
	return name
}

// without takes a field out of an event: a resource as a whole, or an element of it, in all
// repetitions.
func without(t *testing.T, bundle map[string]any, field string) map[string]any {
	t.Helper()
	name, path, _ := strings.Cut(field, ".")
	if name == "Bundle" {
		require.Contains(t, bundle, path)
		delete(bundle, path)
		return bundle
	}
	var kept []any
	found := false
	for _, entry := range list(bundle["entry"]) {
		resource := object(object(entry)["resource"])
		if nameOf(resource) != name {
			kept = append(kept, entry)
			continue
		}
		found = true
		if path != "" {
			cut(t, resource, strings.Split(path, "."))
			kept = append(kept, entry)
		}
	}
	require.True(t, found, "the sample has no %s", name)
	bundle["entry"] = kept
	return bundle
}

func cut(t *testing.T, in map[string]any, path []string) {
	t.Helper()
	require.Contains(t, in, path[0])
	if len(path) == 1 {
		delete(in, path[0])
		return
	}
	for _, next := range append(list(in[path[0]]), in[path[0]]) {
		if o := object(next); o != nil {
			cut(t, o, path[1:])
		}
	}
}

// taken is what became of an event.
type taken struct {
	refused  string            // code of the first issue
	warnings []string          // their codes, each once
	tasks    map[string]string // by code: status, times and amounts of those that wait
	kept     []string          // the types that are stored
	unit     string
	protocol string
}

func takenIn(t *testing.T, bundle map[string]any) taken {
	t.Helper()
	body, err := json.Marshal(bundle)
	require.NoError(t, err)
	b := openBench(t, nil)
	b.at = time.Date(2026, 3, 2, 10, 5, 0, 0, time.UTC)
	answer, err := b.Message(t.Context(), Message{Body: body, ContentType: fhir.ContentType, Door: DoorHTTP, By: nurse()})
	if err != nil {
		require.Empty(t, b.all("CarePlan"), "what is refused plans nothing")
		return taken{refused: string(outcome.KindOf(err))}
	}
	got := taken{tasks: map[string]string{}}
	for _, w := range answer.Warnings {
		if !slices.Contains(got.warnings, string(w.Code)) {
			got.warnings = append(got.warnings, string(w.Code))
		}
	}
	waiting := map[string][]string{}
	for _, r := range b.all("Task") {
		var task fhir.Task
		require.NoError(t, json.Unmarshal(r.Body, &task))
		if task.Status == "draft" || task.Status == "ready" || task.Status == "on-hold" {
			line, err := json.Marshal([]any{task.Status, task.Restriction, task.Input})
			require.NoError(t, err)
			waiting[task.Code.Coding[0].Code] = append(waiting[task.Code.Coding[0].Code], string(line))
		}
	}
	for code, lines := range waiting {
		slices.Sort(lines) // ids are by chance
		got.tasks[code] = strings.Join(lines, " ")
	}
	for _, kind := range []string{"Patient", "Encounter", "Practitioner", "Procedure", "Observation", "ServiceRequest", "MedicationAdministration", "Device"} {
		for range b.all(kind) {
			got.kept = append(got.kept, kind)
		}
	}
	l := b.loaded(b.ids.episode(fhir.Identifier{System: "https://ehr.example/procedure", Value: "P-1002"}, 1))
	got.unit = l.state.Refs.Unit
	if l.core.Protocol != nil {
		got.protocol = l.core.Protocol.Canonical()
	}
	return got
}

// beside says in the table's words what became of an event that lacks something, next to
// what became of the whole.
func (a taken) beside(whole taken) string {
	if a.refused != "" {
		return "refused, `" + a.refused + "`"
	}
	parts := []string{"taken"}
	add := func(what string, names []string) {
		if len(names) > 0 {
			parts = append(parts, what+"`"+strings.Join(names, "`, `")+"`")
		}
	}
	add("warns ", a.warnings)
	if a.protocol == "" {
		parts = append(parts, "no protocol is chosen")
	}
	if a.unit != whole.unit {
		parts = append(parts, "belongs to no unit")
	}
	add("asks for ", others(a.tasks, whole.tasks))
	add("plans no ", others(whole.tasks, a.tasks))
	var moved []string
	for _, code := range slices.Sorted(maps.Keys(a.tasks)) {
		if was, both := whole.tasks[code]; both && was != a.tasks[code] {
			moved = append(moved, code)
		}
	}
	add("plans otherwise ", moved)
	left := slices.Clone(whole.kept)
	for _, kind := range a.kept {
		if i := slices.Index(left, kind); i >= 0 {
			left = slices.Delete(left, i, i+1)
		}
	}
	add("does not keep ", left)
	if len(parts) == 1 {
		return "taken, the same plan"
	}
	return strings.Join(parts, "; ")
}

// others gives the codes that only the first has.
func others(a, b map[string]string) []string {
	var names []string
	for _, code := range slices.Sorted(maps.Keys(a)) {
		if _, both := b[code]; !both {
			names = append(names, code)
		}
	}
	return names
}
