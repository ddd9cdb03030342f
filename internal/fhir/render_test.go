package fhir

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

func TestGolden(t *testing.T) {
	for name, render := range samples() {
		t.Run(name, func(t *testing.T) {
			got, err := render()
			require.NoError(t, err)
			require.Empty(t, empties(t, got))
			strict(t, got)
			valid(t, got)
			requireGolden(t, "../../testdata/fhir/"+name+".json", got)
			again, err := render()
			require.NoError(t, err)
			require.Equal(t, string(got), string(again), "the same values must give the same bytes")
		})
	}
}

func rendered(t require.TestingT, body []byte, err error, into any) {
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(body, into))
}

func TestVolumeKeepsItsPrecision(t *testing.T) {
	body, err := RenderTask(withheldStep(), sampleContext(), Version{ID: "t"})
	require.NoError(t, err)
	require.Contains(t, string(body), `"valueQuantity":{"value":1.50,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`)
	require.Contains(t, string(body), "9.0 mL, known; last confirmed at 2026-11-25 15:05 +01:00 by Nurse Able")
}

func TestBasedOnIsTheRequestAndNeverThePlan(t *testing.T) {
	var task Task
	body, err := RenderTask(withheldStep(), sampleContext(), Version{ID: "t"})
	rendered(t, body, err, &task)
	require.Equal(t, []Reference{{Reference: "ServiceRequest/coronary-angiography"}}, task.BasedOn)
	require.Equal(t, "2026-11-25T14:38:00Z", task.Restriction.Period.Start)
	require.Equal(t, "2026-11-25T14:48:00Z", task.Restriction.Period.End)
	require.Equal(t, &Identifier{System: SystemEpisode, Value: sampleContext().Episode}, task.GroupIdentifier)
	require.Equal(t, string(CodeReleaseStep), task.Code.Coding[0].Code)
	require.Nil(t, task.Meta, "without a version there is no meta")
}

func TestWhatWithholdsIsSaidWithWhoLiftsItAndWhen(t *testing.T) {
	var task Task
	body, err := RenderTask(withheldStep(), sampleContext(), Version{ID: "t"})
	rendered(t, body, err, &task)
	var texts []string
	for _, n := range task.Note {
		texts = append(texts, n.Text)
	}
	require.Contains(t, texts, "Not offered: the hold after bleeding is not over. May be lifted by: clinician. Asked again at 2026-11-25 15:38 +01:00.")
	require.Contains(t, texts, "Not offered: no look at the site since air was added. May be lifted by: nurse. Asked again when somebody answers.")
	require.Equal(t, "the hold after bleeding is not over; no look at the site since air was added", task.StatusReason.Text)
}

func TestPlanSaysCautionAndApproval(t *testing.T) {
	c := sampleContext()
	var plan CarePlan
	body, err := RenderPlan(bleedingPlan(), c, Version{ID: "p"})
	rendered(t, body, err, &plan)
	require.Equal(t, []string{"https://hospital.example/fhir/PlanDefinition/release|2"}, plan.InstantiatesCanonical)
	require.Equal(t, Caution, plan.Note[0].Text)
	require.Contains(t, plan.Note[1].Text, "Approved by Cardiology board on 2026-10-01")
	require.Contains(t, plan.Text.Div, Caution)
	c.Protocol.Draft = true
	body, err = RenderPlan(bleedingPlan(), c, Version{ID: "p"})
	rendered(t, body, err, &plan)
	require.Contains(t, plan.Note[1].Text, "DRAFT, not approved")
}

func TestPlanDigestChangesWithWhatANewVersionIsFor(t *testing.T) {
	c := sampleContext()
	digest := func(change func(*workflow.Plan)) string {
		p := bleedingPlan()
		change(&p)
		return PlanDigest(p, c)
	}
	same := digest(func(*workflow.Plan) {})
	require.Equal(t, same, digest(func(p *workflow.Plan) { p.End = p.End.Add(30 * time.Second) }), "less than a minute")
	require.Equal(t, same, digest(func(p *workflow.Plan) { p.Summary.LastLook = p.Summary.LastLook.Add(time.Hour) }))
	changes := map[string]func(*workflow.Plan){
		"status":   func(p *workflow.Plan) { p.Status = workflow.PlanOnHold },
		"activity": func(p *workflow.Plan) { p.Tasks = p.Tasks[:2] },
		"forecast": func(p *workflow.Plan) { p.End = p.End.Add(time.Minute) },
		"band off": func(p *workflow.Plan) { p.Off = p.Off.Add(time.Minute) },
		"side":     func(p *workflow.Plan) { p.Summary.Side = workflow.Left },
		"bleeds":   func(p *workflow.Plan) { p.Summary.Bleeds++ },
		"patency":  func(p *workflow.Plan) { p.Summary.LastPatency = workflow.Occluded },
		"next":     func(p *workflow.Plan) { p.Summary.Next = nil },
		"next at":  func(p *workflow.Plan) { p.Summary.NextAt = p.Summary.NextAt.Add(time.Minute) },
		"volume":   func(p *workflow.Plan) { p.Summary.Book.Volume = workflow.MustDecimal("8") },
		"doubt":    func(p *workflow.Plan) { p.Summary.Book.State = workflow.BookUncertain },
		"withheld": func(p *workflow.Plan) { p.Summary.Withheld = nil },
	}
	for name, change := range changes {
		require.NotEqual(t, same, digest(change), name)
	}
}

func TestPeopleAreReferredToAsTheCoreNamesThem(t *testing.T) {
	c := sampleContext()
	tests := []struct {
		by   string
		want *Reference
	}{
		{"Practitioner/n1", &Reference{Reference: "Practitioner/n1", Display: "Nurse Able"}},
		{"Practitioner/n2", &Reference{Reference: "Practitioner/n2"}},
		{"https://hospital.example/staff|77", &Reference{Identifier: &Identifier{System: "https://hospital.example/staff", Value: "77"}, Display: "Nurse Baker"}},
		{"screen-4", &Reference{Display: "screen-4"}},
		{"|", nil},
		{" \x00", nil},
		{"", nil},
	}
	for _, tt := range tests {
		require.Equal(t, tt.want, c.person(tt.by), "%q", tt.by)
	}
}

// R4 instant and dateTime: an offset is required with a time (datatypes.html#dateTime).
func TestInstantsCarryAnOffset(t *testing.T) {
	east := time.FixedZone("", 5*3600+1800)
	at := time.Date(2026, 3, 1, 2, 30, 0, 120_000_000, east)
	require.Equal(t, "2026-02-28T21:00:00.12Z", Instant(at))
	require.Equal(t, "2026-03-01 02:30 +05:30", ClockWords(at, east))
	require.Equal(t, "2026-02-28 21:00 +00:00", ClockWords(at, nil))
	require.Empty(t, Instant(time.Time{}))
}

// R4 per-1: no start after the end (datatypes.html#Period). What is needed is the end.
func TestPeriodThatRunsBackwardsTellsItsEnd(t *testing.T) {
	early, late := clockAt("2026-11-25T13:00:00Z"), clockAt("2026-11-25T14:00:00Z")
	require.Equal(t, &Period{Start: "2026-11-25T13:00:00Z", End: "2026-11-25T14:00:00Z"}, period(early, late))
	require.Equal(t, &Period{End: "2026-11-25T13:00:00Z"}, period(late, early))
	require.Equal(t, &Period{Start: "2026-11-25T14:00:00Z"}, period(late, time.Time{}))
	require.Nil(t, period(time.Time{}, time.Time{}))
}

// XHTML in a narrative is well-formed and holds no markup from outside (txt-1, txt-2,
// hl7.org/fhir/R4/narrative.html).
func wellFormed(t require.TestingT, div string) {
	d := xml.NewDecoder(strings.NewReader(div))
	text := false
	for {
		x, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err, "%s", div)
		switch x := x.(type) {
		case xml.StartElement:
			require.Contains(t, "div p b table tbody tr th td ul li", x.Name.Local)
			require.Equal(t, "http://www.w3.org/1999/xhtml", x.Name.Space)
		case xml.CharData:
			text = text || len(bytes.TrimSpace(x)) > 0
		}
	}
	require.True(t, text, "a narrative must not be blank")
}

func TestMarkupInTextStaysText(t *testing.T) {
	task := lateCheck()
	task.Description = `<script>alert("x")</script> & 'more' ` + "\x01\xff"
	var got Task
	body, err := RenderTask(task, sampleContext(), Version{ID: "t"})
	rendered(t, body, err, &got)
	wellFormed(t, got.Text.Div)
	require.NotContains(t, got.Text.Div, "<script")
	require.NotContains(t, got.Description, "\x01")
}

// Types that are written or read through the published models must survive them: each
// of our resources, through the model and back, is the same.
func TestSamplyModelsLoseNothing(t *testing.T) {
	tests := []struct {
		kind  string
		model func() any
		body  string // of a type that is not rendered here
	}{
		{"Flag", func() any { return &r4.Flag{} }, ""},
		{"Provenance", func() any { return &r4.Provenance{} }, ""},
		{"DetectedIssue", func() any { return &r4.DetectedIssue{} }, ""},
		{"Bundle", func() any { return &r4.Bundle{} }, ""},
		{"OperationOutcome", func() any { return &r4.OperationOutcome{} }, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"required","details":{"text":"x"},"expression":["Task.intent"]}]}`},
		{"Procedure", func() any { return &r4.Procedure{} }, `{"resourceType":"Procedure","identifier":[{"system":"https://ehr.example","value":"1"}],"status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"33367005"}]},"subject":{"reference":"Patient/1"},"performedPeriod":{"start":"2026-11-25T11:00:00+01:00","end":"2026-11-25T12:00:00.50+01:00"},"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]}`},
	}
	for _, tt := range tests {
		bodies := [][]byte{[]byte(tt.body)}
		if tt.body == "" {
			bodies = nil
			for name, render := range samples() {
				if kind, _, _ := strings.Cut(name, "-"); kind == tt.kind {
					body, err := render()
					require.NoError(t, err)
					bodies = append(bodies, body)
				}
			}
		}
		require.NotEmpty(t, bodies)
		for _, body := range bodies {
			model := tt.model()
			require.NoError(t, json.Unmarshal(body, model))
			back, err := json.Marshal(model)
			require.NoError(t, err)
			require.JSONEq(t, string(body), string(back), tt.kind)
		}
	}
}

// Why Task, CarePlan, MessageHeader and Communication have types of our own: the models write a choice
// as all its types. When this fails, the models were mended, and the own types can go.
func TestSamplyModelsWriteAChoiceAsAllItsTypes(t *testing.T) {
	task := r4.Task{Intent: "order", Input: []r4.TaskInput{{ValueString: "x"}}}
	body, err := json.Marshal(task)
	require.NoError(t, err)
	require.NotEmpty(t, empties(t, body))
	require.Contains(t, string(body), `"valueBoolean":false`)
	require.Contains(t, string(body), `"status":"draft"`, "a missing status becomes the first code")
	header, err := json.Marshal(r4.MessageHeader{EventCoding: r4.Coding{Code: ptr("x")}})
	require.NoError(t, err)
	require.Contains(t, string(header), `"eventUri":""`)
	call, err := json.Marshal(r4.Communication{Payload: []r4.CommunicationPayload{{ContentString: "x"}}})
	require.NoError(t, err)
	require.Contains(t, string(call), `"contentAttachment":{}`)
}
