package profiles_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// published reads what api holds of one type.
func published(t *testing.T, resourceType string) map[string]*tree.Document {
	t.Helper()
	out := map[string]*tree.Document{}
	for name, body := range api.Conformance() {
		doc, issues := tree.Parse(body)
		require.Empty(t, issues, name)
		if doc.Root.Str("resourceType") == resourceType {
			out[doc.Root.Str("id")] = doc
		}
	}
	require.NotEmpty(t, out)
	return out
}

// codesOf gives the codings of a value set as they are listed.
func codesOf(vs *tree.Node) []fhir.Coding {
	var out []fhir.Coding
	for inc := range vs.Get("compose").Get("include").Items() {
		for c := range inc.Get("concept").Items() {
			out = append(out, fhir.Coding{System: inc.Str("system"), Code: c.Str("code"), Display: c.Str("display")})
		}
	}
	return out
}

// everyCoding is every coding of every value set and of the local code system.
func everyCoding(t *testing.T) []fhir.Coding {
	var all []fhir.Coding
	for _, vs := range published(t, "ValueSet") {
		all = append(all, codesOf(vs.Root)...)
	}
	for _, c := range fhir.Concepts() {
		all = append(all, c.Code.Coding())
	}
	return all
}

func alone(c fhir.Coding) fhir.CodeableConcept { return fhir.CodeableConcept{Coding: []fhir.Coding{c}} }

// Each value set holds exactly what the decoder reads in its place: of all codings that
// there are, no other is read, and none that is read is missing.
func TestValueSetsAreTheTablesOfTheDecoder(t *testing.T) {
	answers := func(f workflow.FindingCode) func(fhir.CodeableConcept) bool {
		return func(c fhir.CodeableConcept) bool { _, ok := fhir.ReadAnswer(f, c); return ok }
	}
	reads := map[string]func(fhir.CodeableConcept) bool{
		"bleeding-answer":   answers(workflow.Bleeding),
		"patency-answer":    answers(workflow.Patency),
		"pulse-answer":      answers(workflow.Pulse),
		"haematoma-answer":  answers(workflow.Haematoma),
		"band-state-answer": answers(workflow.Band),
		"hand-answer":       answers(workflow.Hand),
		"condition-answer":  answers(workflow.Condition),
		"patency-method":    func(c fhir.CodeableConcept) bool { _, ok := fhir.ReadMethod(c); return ok },
		"order-kind":        func(c fhir.CodeableConcept) bool { _, ok := fhir.ReadOrder(c); return ok },
		"procedure-kind":    func(c fhir.CodeableConcept) bool { _, ok := fhir.ReadKind(c); return ok },
	}
	for id, part := range map[string]fhir.Coding{
		"hand-colour-answer":      {System: fhir.SystemLOINC, Code: "39107-8"},
		"hand-temperature-answer": {System: fhir.SystemLOINC, Code: "39106-0"},
		"hand-sensation-answer":   fhir.CodeHandSensation.Coding(),
		"hand-movement-answer":    fhir.CodeHandMovement.Coding(),
		"hand-swelling-answer":    fhir.CodeHandSwelling.Coding(),
		"hand-pain-answer":        fhir.CodeHandPain.Coding(),
	} {
		reads[id] = func(c fhir.CodeableConcept) bool { _, ok := fhir.ReadHandSign(alone(part), c); return ok }
	}
	all, sets := everyCoding(t), published(t, "ValueSet")
	for id, read := range reads {
		t.Run(id, func(t *testing.T) {
			var want, got []string
			for _, c := range all {
				if read(alone(c)) {
					want = append(want, c.System+"|"+c.Code)
				}
			}
			for _, c := range codesOf(sets[id].Root) {
				got = append(got, c.System+"|"+c.Code)
			}
			require.ElementsMatch(t, distinct(want), got)
		})
	}
}

// The rest are the codes of one use, in the order of the code system.
func TestValueSetsAreTheUsesOfTheCodeSystem(t *testing.T) {
	sets := published(t, "ValueSet")
	for id, use := range map[string]fhir.Use{
		"task-kind": fhir.UseTask, "task-input": fhir.UseTaskInput, "lateness": fhir.UseLateness, "finding": fhir.UseFinding,
		"issue-kind": fhir.UseIssue,
	} {
		var want, got []string
		for _, c := range fhir.Concepts() {
			if c.Use == use {
				want = append(want, string(c.Code))
			}
		}
		for _, c := range codesOf(sets[id].Root) {
			if c.System == fhir.SystemLocal {
				got = append(got, c.Code)
			}
		}
		require.Equal(t, want, got, id)
	}
}

// Displays are those under which the service itself writes the codes.
func TestDisplaysOfValueSets(t *testing.T) {
	displays := map[string]string{}
	for _, f := range []workflow.FindingCode{workflow.Bleeding, workflow.Patency, workflow.Pulse, workflow.Haematoma, workflow.Hand} {
		for _, a := range []workflow.Answer{
			workflow.Haemostasis, workflow.Oozing, workflow.Active, workflow.Indeterminate, workflow.Normal, workflow.Weak,
			workflow.Absent, workflow.Abnormal, workflow.Present,
		} {
			for _, c := range (fhir.Terminology{FullSNOMED: true}).Answer(f, a).Coding {
				displays[c.System+"|"+c.Code] = c.Display
			}
		}
	}
	for _, c := range fhir.Concepts() {
		displays[fhir.SystemLocal+"|"+string(c.Code)] = c.Display
	}
	compared := 0
	for id, vs := range published(t, "ValueSet") {
		for _, c := range codesOf(vs.Root) {
			if want, ok := displays[c.System+"|"+c.Code]; ok {
				require.Equal(t, want, c.Display, "%s: %s", id, c.Code)
				compared++
			}
		}
	}
	require.Greater(t, compared, 50)
}

// The statuses and the reasons for a missing value are codes of the published systems.
func TestPublishedCodesAreInTheirSystems(t *testing.T) {
	for id, set := range map[string]string{
		"task-status": "task-status", "plan-status": "request-status", "procedure-status": "event-status",
		"absent-reason": "data-absent-reason", "issue-status": "observation-status", "call-status": "event-status",
	} {
		known := definitions.R4().ValueSet("http://hl7.org/fhir/ValueSet/" + set)
		require.NotNil(t, known, set)
		for _, c := range codesOf(published(t, "ValueSet")[id].Root) {
			if c.System != fhir.SystemLocal {
				require.True(t, known.Has(c.System, c.Code), "%s %s", id, c.Code)
			}
		}
	}
}

// A value set that a profile binds to is one that is published, and every one is used.
func TestEveryValueSetIsBound(t *testing.T) {
	bound := map[string]bool{}
	for _, doc := range published(t, "StructureDefinition") {
		for e := range doc.Root.Get("snapshot").Get("element").Items() {
			if url := e.Get("binding").Str("valueSet"); strings.HasPrefix(url, fhir.CanonicalBase) {
				bound[url] = true
			}
		}
	}
	var urls []string
	for _, doc := range published(t, "ValueSet") {
		urls = append(urls, doc.Root.Str("url"))
		require.True(t, bound[doc.Root.Str("url")], doc.Root.Str("url"))
	}
	require.Len(t, bound, len(urls))
}

func distinct(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}
