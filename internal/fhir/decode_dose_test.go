package fhir

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

func doseOf(status, medication, effective string) string {
	return fmt.Sprintf(`{"resourceType":"MedicationAdministration","status":%q,%s,"subject":{"reference":"Patient/1"},
		"context":{"reference":"Encounter/e1"},"performer":[{"actor":{"reference":"Practitioner/7","display":"Ine Falk"}}],%s}`, status, medication, effective)
}

func medicationOf(system, code string) string {
	return fmt.Sprintf(`"medicationCodeableConcept":{"coding":[{"system":%q,"code":%q}],"text":"the drug"}`, system, code)
}

const givenAtTen = `"effectiveDateTime":"2026-03-04T11:00:00+01:00"`

// The groups and substances are those of the ATC/DDD Index of the WHO Collaborating Centre
// for Drug Statistics Methodology, B01A (whocc.no/atc_ddd_index).
func TestReadDrug(t *testing.T) {
	for code, want := range map[string]workflow.Drug{
		"B01AB01": workflow.Heparin, "B01AB05": workflow.Heparin, // heparin, enoxaparin
		"B01AC13": workflow.GlycoproteinInhibitor, "B01AC16": workflow.GlycoproteinInhibitor, "B01AC17": workflow.GlycoproteinInhibitor,
		"B01AA03": workflow.OtherAnticoagulant, "B01AE06": workflow.OtherAnticoagulant, // warfarin, bivalirudin
		"B01AF01": workflow.OtherAnticoagulant, "B01AX05": workflow.OtherAnticoagulant, // rivaroxaban, fondaparinux
		"b01ab01": workflow.Heparin,
		"B01AC06": "", "B01AC04": "", "N02BE01": "", "B01": "", // acetylsalicylic acid, clopidogrel, paracetamol
	} {
		got, ok := ReadDrug(CodeableConcept{Coding: []Coding{{System: SystemATC, Code: code}}})
		require.Equal(t, want, got, code)
		require.Equal(t, want != "", ok, code)
	}
	_, ok := ReadDrug(CodeableConcept{Coding: []Coding{{System: "urn:x", Code: "B01AB01"}}})
	require.False(t, ok, "a code of another system")
	got, _ := ReadDrug(CodeableConcept{Coding: []Coding{{System: SystemSNOMED, Code: "372877000"}}})
	require.Equal(t, workflow.Heparin, got)
}

func TestDecodeDose(t *testing.T) {
	heparin, aspirin := medicationOf(SystemATC, "B01AB01"), medicationOf(SystemATC, "B01AC06")
	ten := time.Date(2026, 3, 4, 10, 0, 0, 0, time.UTC)
	span := `"effectivePeriod":{"start":"2026-03-04T10:00:00Z","end":"2026-03-04T10:20:00Z"}`
	for name, tt := range map[string]struct {
		body  string
		found time.Time // zero: it counts for nothing
	}{
		"given":             {doseOf("completed", heparin, givenAtTen), ten},
		"given over a time": {doseOf("completed", heparin, span), ten.Add(20 * time.Minute)},
		"still running":     {doseOf("in-progress", heparin, span), ten},
		"stopped":           {doseOf("stopped", heparin, givenAtTen), ten},
		"on hold":           {doseOf("on-hold", heparin, givenAtTen), ten},
		"not given":         {doseOf("not-done", heparin, givenAtTen), time.Time{}},
		"entered in error":  {doseOf("entered-in-error", heparin, givenAtTen), time.Time{}},
		"not known":         {doseOf("unknown", heparin, givenAtTen), time.Time{}},
		"no anticoagulant":  {doseOf("completed", aspirin, givenAtTen), time.Time{}},
		"contained": {doseOf("completed", `"contained":[{"resourceType":"Medication","id":"m","code":{"coding":[{"system":"`+SystemATC+`","code":"B01AE06","display":"bivalirudin"}]}}],
			"medicationReference":{"reference":"#m"}`, givenAtTen), ten},
	} {
		t.Run(name, func(t *testing.T) {
			c, issues := DecodeDose(parsed(t, tt.body), "")
			require.NotNil(t, c, "%v", issues)
			require.Empty(t, c.Warnings)
			require.Equal(t, !tt.found.IsZero(), c.Counts)
			require.Equal(t, tt.found, c.Finding.Found)
			require.Equal(t, name == "entered in error", c.Withdrawn)
			require.True(t, c.WholePatient)
			require.Equal(t, "Practitioner/7", c.Performer.By())
			require.Equal(t, "Encounter/e1", c.Encounter.Reference)
			if c.Counts {
				require.Equal(t, workflow.Anticoagulant, c.Finding.Code)
				require.NotEmpty(t, c.Finding.Text)
				require.Equal(t, name == "contained", c.Finding.Drug == workflow.OtherAnticoagulant, "the kind that its code says")
			}
		})
	}
}

func TestDecodeDoseFaults(t *testing.T) {
	heparin := medicationOf(SystemATC, "B01AB01")
	for name, tt := range map[string]struct {
		body string
		at   string
	}{
		"a day alone":        {doseOf("completed", heparin, `"effectiveDateTime":"2026-03-04"`), "MedicationAdministration.effective"},
		"a start by the day": {doseOf("in-progress", heparin, `"effectivePeriod":{"start":"2026-03-04"}`), "MedicationAdministration.effective.start"},
	} {
		c, issues := DecodeDose(parsed(t, tt.body), "")
		require.Nil(t, c, name)
		require.Len(t, issues, 1)
		require.Equal(t, outcome.CodeValue, issues[0].Code)
		require.Equal(t, tt.at, issues[0].Expression)
	}
	c, _ := DecodeDose(parsed(t, doseOf("completed", `"medicationCodeableConcept":{"text":"Heparin"}`, givenAtTen)), "")
	require.False(t, c.Counts, "words are not read")
	require.Len(t, c.Warnings, 1)
}

// What came with the procedure is told once a kind, in one order, however it came.
func TestDrugsOfTheEvent(t *testing.T) {
	entry := func(body string) string { return `{"resource":` + body + `}` }
	dose := func(status, code string) string {
		return entry(fmt.Sprintf(`{"resourceType":"MedicationAdministration","status":%q,%s,"subject":{"identifier":{"system":"urn:x","value":"4711"}},%s}`,
			status, medicationOf(SystemATC, code), givenAtTen))
	}
	n := noticeOf(t, eventOf(rightRadial, dose("completed", "B01AE06"), dose("completed", "B01AB01"), dose("in-progress", "B01AB05"),
		dose("not-done", "B01AC16"), dose("completed", "B01AC06")))
	require.Equal(t, []workflow.Drug{workflow.Heparin, workflow.OtherAnticoagulant}, n.Procedure.Sites[0].Event.Drugs)
	require.Len(t, n.Entries, 6, "all are kept")
	require.Empty(t, n.Warnings)

	referred := entry(`{"resourceType":"MedicationAdministration","status":"completed","medicationReference":{"reference":"urn:uuid:7"},
		"subject":{"identifier":{"system":"urn:x","value":"4711"}},` + givenAtTen + `}`)
	medication := `{"fullUrl":"urn:uuid:7","resource":{"resourceType":"Medication","code":{"coding":[{"system":"` + SystemATC + `","code":"B01AC17"}]}}}`
	n = noticeOf(t, eventOf(rightRadial, referred, medication))
	require.Equal(t, []workflow.Drug{workflow.GlycoproteinInhibitor}, n.Procedure.Sites[0].Event.Drugs)
	require.Empty(t, n.Warnings)
	require.Nil(t, noticeOf(t, eventOf(rightRadial)).Procedure.Sites[0].Event.Drugs)
}
