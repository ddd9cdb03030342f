package storetest

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// readingNow is when the searches of these tests are asked.
func readingNow() time.Time { return time.Date(2031, time.March, 4, 12, 0, 0, 0, time.UTC) }

// searchEqualsReading checks searches from end to end: resources in JSON, indexed and put
// into a store; queries as a client writes them; and what they find against what a person
// would find who has read all of them. The tests beside each kind of clause know nothing of
// index, parser or store: they are written on plain values, after R4 search.html.
func searchEqualsReading(t *testing.T, st store.Store) {
	run := 0
	found := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		w := wardOf(fmt.Sprint("r", run)).Draw(rt, "ward")
		mustCommit(rt, st, store.Changeset{Resources: w.resources()})
		for range 6 {
			resourceType := rapid.SampledFrom([]string{"Task", "Observation", "Patient"}).Draw(rt, "type")
			clauses := rapid.SliceOfN(clausesOf(resourceType), 1, 3).Draw(rt, "clauses")
			of := append(w.ids(resourceType), "nobody")
			params := url.Values{"_id": {strings.Join(of, ",")}} // of this run alone
			for _, c := range clauses {
				params[c.name] = append(params[c.name], c.value)
			}
			q, _, issues := search.Parse(resourceType, params, search.Options{Now: readingNow()})
			require.Empty(rt, issues, params.Encode())
			q.Count = 2
			got, _ := walk(rt, st, q)
			want := w.read(resourceType, clauses)
			require.Equal(rt, want, append([]string{}, ids(got)...), "%s?%s", resourceType, params.Encode())
			found += len(want)
		}
	})
	require.Greater(t, found, run/2, "the queries find something")
}

// patient, task and observation are what the ward's resources say.
type patient struct {
	id, family, gender string
	born               moment
}

type task struct {
	id, status, priority, code, display, text string
	patient                                   string // id, "" for a patient known by number alone
	number, partOf                            string
	due                                       moment
}

type observation struct {
	id, code, patient, unit, answer string
	tenths                          int64 // of the value, which has no answer then
	when                            moment
}

// bedside is all that there is in a run.
type bedside struct {
	run          string
	patients     []patient
	tasks        []task
	observations []observation
}

func wardOf(run string) *rapid.Generator[bedside] {
	return rapid.Custom(func(t *rapid.T) bedside {
		w := bedside{run: run}
		for i := range rapid.IntRange(1, 3).Draw(t, "patients") {
			w.patients = append(w.patients, patient{
				id: fmt.Sprint(run, "-p", i), family: rapid.SampledFrom(families()).Draw(t, "family"),
				gender: rapid.SampledFrom([]string{"", "male", "female"}).Draw(t, "gender"), born: moments().Draw(t, "born").day(),
			})
		}
		somebody := rapid.Map(rapid.IntRange(0, len(w.patients)-1), func(i int) string { return w.patients[i].id })
		for i := range rapid.IntRange(0, 5).Draw(t, "tasks") {
			k := task{
				id: fmt.Sprint(run, "-t", i), status: rapid.SampledFrom(statuses()).Draw(t, "status"),
				priority: rapid.SampledFrom([]string{"", "routine", "stat"}).Draw(t, "priority"),
				code:     rapid.SampledFrom(codes()).Draw(t, "code"), display: rapid.SampledFrom(names()).Draw(t, "display"),
				text: rapid.SampledFrom(names()).Draw(t, "text"), patient: somebody.Draw(t, "patient"), due: moments().Draw(t, "due"),
			}
			if rapid.IntRange(0, 4).Draw(t, "by number") == 0 {
				k.patient, k.number = "", "7"
			}
			if i > 0 && rapid.Bool().Draw(t, "part") {
				k.partOf = w.tasks[rapid.IntRange(0, i-1).Draw(t, "of")].id
			}
			w.tasks = append(w.tasks, k)
		}
		for i := range rapid.IntRange(0, 5).Draw(t, "observations") {
			w.observations = append(w.observations, observation{
				id: fmt.Sprint(run, "-o", i), code: rapid.SampledFrom(codes()).Draw(t, "code"), patient: somebody.Draw(t, "patient"),
				unit: rapid.SampledFrom([]string{"mL", "L"}).Draw(t, "unit"), answer: rapid.SampledFrom([]string{"", "", "none", "much"}).Draw(t, "answer"),
				tenths: rapid.SampledFrom([]int64{-10, 0, 95, 99, 100, 101, 105, 120}).Draw(t, "tenths"), when: moments().Draw(t, "when"),
			})
		}
		return w
	})
}

func families() []string { return []string{"Åkesson", "akesson", "Berg", "Bergman", "van den Berg"} }
func statuses() []string { return []string{"ready", "draft", "completed"} }
func codes() []string    { return []string{"a", "b"} }
func names() []string    { return []string{"", "Site check", "site", "Check"} }

// resources writes the ward as JSON, with its index.
func (w bedside) resources() []store.Resource {
	var out []store.Resource
	add := func(resourceType, id, body string) {
		body = fmt.Sprintf(`{"resourceType":%q,"id":%q,"identifier":[{"system":%q,"value":%q}]%s}`, resourceType, id, w.run, id, body)
		out = append(out, store.Resource{
			Type: resourceType, ID: id, Version: 1, Updated: readingNow(), Body: []byte(body), Index: search.Index(resourceType, []byte(body)),
		})
	}
	for _, p := range w.patients {
		add("Patient", p.id, fmt.Sprintf(`,"name":[{"family":%q}]%s,"birthDate":%q`, p.family, member("gender", p.gender), p.born.text()))
	}
	for _, k := range w.tasks {
		subject := fmt.Sprintf(`{"reference":"Patient/%s"}`, k.patient)
		if k.patient == "" {
			subject = fmt.Sprintf(`{"identifier":{"system":"urn:mrn","value":%q}}`, k.number)
		}
		part := ""
		if k.partOf != "" {
			part = fmt.Sprintf(`,"partOf":[{"reference":"Task/%s"}]`, k.partOf)
		}
		add("Task", k.id, fmt.Sprintf(`%s%s,"code":{"coding":[{"system":"urn:cs","code":%q%s}]%s},"for":%s,"restriction":{"period":{"end":%q}}%s`,
			member("status", k.status), member("priority", k.priority), k.code, member("display", k.display), member("text", k.text), subject, k.due.text(), part))
	}
	for _, o := range w.observations {
		value := fmt.Sprintf(`"valueQuantity":{"value":%s,"system":"urn:ucum","code":%q}`, decimal(o.tenths), o.unit)
		if o.answer != "" {
			value = fmt.Sprintf(`"valueCodeableConcept":{"coding":[{"system":"urn:a","code":%q}]}`, o.answer)
		}
		add("Observation", o.id, fmt.Sprintf(`,"code":{"coding":[{"system":"urn:cs","code":%q}]},"subject":{"reference":"Patient/%s"},"effectiveDateTime":%q,%s`,
			o.code, o.patient, o.when.text(), value))
	}
	return out
}

func member(name, value string) string {
	if value == "" {
		return ""
	}
	return fmt.Sprintf(`,%q:%q`, name, value)
}

func decimal(tenths int64) string {
	sign := ""
	if tenths < 0 {
		sign, tenths = "-", -tenths
	}
	return fmt.Sprintf("%s%d.%d", sign, tenths/10, tenths%10)
}

// read gives the ids of what fulfils all clauses, in order.
func (w bedside) read(resourceType string, clauses []clause) []string {
	out := []string{}
	for _, id := range w.ids(resourceType) {
		if !slices.ContainsFunc(clauses, func(c clause) bool { return !c.holds(w, id) }) {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out
}

func (w bedside) ids(resourceType string) []string {
	var out []string
	switch resourceType {
	case "Patient":
		for _, p := range w.patients {
			out = append(out, p.id)
		}
	case "Task":
		for _, k := range w.tasks {
			out = append(out, k.id)
		}
	case "Observation":
		for _, o := range w.observations {
			out = append(out, o.id)
		}
	}
	return out
}
