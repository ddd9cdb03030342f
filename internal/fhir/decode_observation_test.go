package fhir

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

func observationOf(system, code, more string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":%q}]},
		"subject":{"reference":"Patient/1"},"effectiveDateTime":"2026-03-04T11:00:00+01:00","performer":[{"reference":"Practitioner/7","display":"Ine Falk"}]%s}`, system, code, more)
}

func answered(system, code string) string {
	return fmt.Sprintf(`,"valueCodeableConcept":{"coding":[{"system":%q,"code":%q}]}`, system, code)
}

func quantity(value, code string) string {
	return fmt.Sprintf(`"valueQuantity":{"value":%s,"system":"http://unitsofmeasure.org","code":%q}`, value, code)
}

// Every row of the table of bedside findings that the service publishes.
func TestDecodeChart(t *testing.T) {
	local, sct, dicom := SystemLocal, SystemSNOMED, SystemDICOM
	amount := func(s string) *workflow.Decimal { d := workflow.MustDecimal(s); return &d }
	component := func(code, value string) string {
		return fmt.Sprintf(`,"component":[{"code":{"coding":[{"system":%q,"code":%q}]},%s}]`, local, code, value)
	}
	tests := []struct {
		name, system, code, more string
		want                     workflow.Finding
		patient                  bool
	}{
		{"haemostasis", local, "access-site-bleeding", answered(dicom, "122033"), workflow.Finding{Code: workflow.Bleeding, Answer: workflow.Haemostasis}, false},
		{"oozing", local, "access-site-bleeding", answered(dicom, "122034"), workflow.Finding{Code: workflow.Bleeding, Answer: workflow.Oozing}, false},
		{"active", local, "access-site-bleeding", answered(dicom, "122035"), workflow.Finding{Code: workflow.Bleeding, Answer: workflow.Active}, false},
		{"bleeding absent", local, "access-site-bleeding", answered(sct, "2667000"), workflow.Finding{Code: workflow.Bleeding, Answer: workflow.Haemostasis}, false},
		{"bleeding present", local, "access-site-bleeding", answered(sct, "52101004"), workflow.Finding{Code: workflow.Bleeding, Answer: workflow.Active}, false},
		{"patent, usual method", local, "radial-patency-test", answered(local, "patent"), workflow.Finding{Code: workflow.Patency, Answer: workflow.Patent, Method: workflow.WaveformUlnarCompressed}, false},
		{"occluded by duplex", local, "radial-patency-test", answered(local, "occluded") + `,"method":{"coding":[{"system":"` + local + `","code":"duplex"}]}`, workflow.Finding{Code: workflow.Patency, Answer: workflow.Occluded, Method: workflow.Duplex}, false},
		{"indeterminate, method as component", local, "radial-patency-test", answered(sct, "82334004") + component("patency-method", answered(local, "waveform")[1:]), workflow.Finding{Code: workflow.Patency, Answer: workflow.Indeterminate, Method: workflow.Waveform}, false},
		{"pulse", SystemLOINC, "44974-4", answered(sct, "260407003"), workflow.Finding{Code: workflow.Pulse, Answer: workflow.Weak}, false},
		{"air in the band", local, "band-air-volume", "," + quantity("9.0", "mL"), workflow.Finding{Code: workflow.AirVolume, Amount: amount("9.0")}, false},
		{"air removed, litre in small letters", local, "band-air-removed", "," + quantity("3", "ml"), workflow.Finding{Code: workflow.AirRemoved, Amount: amount("3")}, false},
		{"syringe drew nothing", local, "band-air-removed", "," + quantity("0", "mL"), workflow.Finding{Code: workflow.AirRemoved, Amount: amount("0")}, false},
		{"air added", local, "band-air-added", "," + quantity("1.5", "mL"), workflow.Finding{Code: workflow.AirAdded, Amount: amount("1.5")}, false},
		{"start of compression", local, "compression-start", `,"valueDateTime":"2026-03-04T09:40:00Z"`, workflow.Finding{Code: workflow.CompressionStart, Instant: time.Date(2026, 3, 4, 9, 40, 0, 0, time.UTC)}, false},
		{"band", local, "band-state", answered(local, "over-ulnar"), workflow.Finding{Code: workflow.Band, Answer: workflow.BandOverUlnar}, false},
		{"haematoma in cm", local, "access-site-haematoma", answered(sct, "52101004") + component("haematoma-diameter", quantity("4.5", "cm")), workflow.Finding{Code: workflow.Haematoma, Answer: workflow.Present, Amount: amount("4.5")}, false},
		{"no haematoma", local, "access-site-haematoma", answered(sct, "2667000"), workflow.Finding{Code: workflow.Haematoma, Answer: workflow.Absent}, false},
		{"hand", local, "hand-check", answered(sct, "263654008"), workflow.Finding{Code: workflow.Hand, Answer: workflow.Abnormal}, false},
		{"haematoma graded", local, "access-site-haematoma", answered(sct, "52101004") + component("haematoma-grade", answered(local, "IV")[1:]), workflow.Finding{Code: workflow.Haematoma, Answer: workflow.Present, Grade: 4}, false},
		{"numb hand", local, "hand-check", answered(sct, "263654008") + component("hand-sensation", answered(local, "numb")[1:]), workflow.Finding{Code: workflow.Hand, Answer: workflow.Abnormal, Signs: []workflow.HandSign{workflow.HandNumb}}, false},
		{"hand normal in a part", local, "hand-check", answered(sct, "17621005") + component("hand-movement", answered(sct, "17621005")[1:]), workflow.Finding{Code: workflow.Hand, Answer: workflow.Normal}, false},
		{"pain", SystemLOINC, "72514-3", "," + quantity("7", "{score}"), workflow.Finding{Code: workflow.Pain, Amount: amount("7")}, true},
		{"pain as an integer", SystemLOINC, "72514-3", `,"valueInteger":0`, workflow.Finding{Code: workflow.Pain, Amount: amount("0")}, true},
		{"pain not asked for", SystemLOINC, "72514-3", `,"dataAbsentReason":{"coding":[{"system":"` + SystemDataAbsent + `","code":"not-performed"}]}`, workflow.Finding{Code: workflow.Pain, Missing: workflow.NotPerformed}, true},
		{"systolic pressure", SystemLOINC, "8480-6", "," + quantity("88", "mm[Hg]"), workflow.Finding{Code: workflow.Pressure, Amount: amount("88")}, true},
		{"pressure on an arm, which is no wrist", SystemLOINC, "8480-6", "," + quantity("88", "mm[Hg]") + `,"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"7771000"}]}`, workflow.Finding{Code: workflow.Pressure, Amount: amount("88")}, true},
		{"blood pressure panel", SystemLOINC, "85354-9", `,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"8462-4"}]},` + quantity("61", "mm[Hg]") + `},
			{"code":{"coding":[{"system":"http://loinc.org","code":"8480-6"}]},` + quantity("131", "mm[Hg]") + `}]`, workflow.Finding{Code: workflow.Pressure, Amount: amount("131")}, true},
		{"condition", local, "general-condition", answered(local, "chest-pain"), workflow.Finding{Code: workflow.Condition, Answer: workflow.ChestPain}, true},
		{"not done", local, "access-site-bleeding", `,"dataAbsentReason":{"coding":[{"system":"` + SystemDataAbsent + `","code":"not-performed"}]}`, workflow.Finding{Code: workflow.Bleeding, Missing: workflow.NotPerformed}, false},
		{"could not assess", local, "hand-check", `,"dataAbsentReason":{"coding":[{"system":"` + local + `","code":"could-not-assess"}]}`, workflow.Finding{Code: workflow.Hand, Missing: workflow.CouldNotAssess}, false},
		{"otherwise missing", local, "hand-check", `,"dataAbsentReason":{"coding":[{"system":"` + SystemDataAbsent + `","code":"error"}]}`, workflow.Finding{Code: workflow.Hand, Missing: workflow.OtherwiseMissing}, false},
		{"anything else", SystemLOINC, "8867-4", "," + quantity("72", "/min"), workflow.Finding{Code: workflow.OtherFinding}, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, issues := DecodeChart(parsed(t, observationOf(tt.system, tt.code, tt.more)), "")
			require.NotNil(t, c, "%v", issues)
			require.Empty(t, c.Warnings)
			require.True(t, c.Counts)
			require.Equal(t, tt.patient, c.WholePatient)
			require.Equal(t, "Practitioner/7", c.Performer.By())
			require.Equal(t, "Ine Falk", c.Performer.Display)
			got := c.Finding
			got.Text = ""
			tt.want.Found = time.Date(2026, 3, 4, 10, 0, 0, 0, time.UTC)
			require.Equal(t, tt.want, got)
		})
	}
}

// What is said in words stays readable.
func TestDecodeChartText(t *testing.T) {
	more := answered(SystemSNOMED, "263654008") + `,"component":[
		{"code":{"coding":[{"system":"http://loinc.org","code":"44963-7","display":"Capillary refill"}]},` + quantity("4", "s") + `},
		{"code":{"text":"colour"},"valueCodeableConcept":{"text":"dusky"}}],"note":[{"text":"better after easing"}]`
	c, issues := DecodeChart(parsed(t, observationOf(SystemLocal, "hand-check", more)), "")
	require.NotNil(t, c, "%v", issues)
	require.Equal(t, "Capillary refill: 4 s; colour: dusky; better after easing", c.Finding.Text)
}

func TestDecodeChartFaults(t *testing.T) {
	air := func(q string) string { return observationOf(SystemLocal, "band-air-removed", q) }
	bleed := func(more string) string { return observationOf(SystemLocal, "access-site-bleeding", more) }
	tests := []struct {
		name, body string
		code       outcome.Code
		at         string
	}{
		{"no code", strings.Replace(bleed(answered(SystemDICOM, "122033")), `"coding":[{"system":"`+SystemLocal+`","code":"access-site-bleeding"}]`, `"text":"x"`, 1), outcome.CodeRequired, "Observation.code"},
		{"no subject", strings.Replace(bleed(answered(SystemDICOM, "122033")), `"subject":{"reference":"Patient/1"},`, "", 1), outcome.CodeRequired, "Observation.subject"},
		{"no value", bleed(""), outcome.CodeRequired, "Observation.value"},
		{"unknown answer", bleed(answered(SystemDICOM, "1")), outcome.CodeCodeInvalid, "Observation.value"},
		{"answer to another question", bleed(answered(SystemLocal, "patent")), outcome.CodeCodeInvalid, "Observation.value"},
		{"no quantity", air(""), outcome.CodeRequired, "Observation.value"},
		{"no number", air(`,"valueQuantity":{"system":"http://unitsofmeasure.org","code":"mL"}`), outcome.CodeRequired, "Observation.value.value"},
		{"no unit", air(`,"valueQuantity":{"value":3,"unit":"mL"}`), outcome.CodeRequired, "Observation.value.code"},
		{"no system of the unit", air(`,"valueQuantity":{"value":3,"code":"mL"}`), outcome.CodeValue, "Observation.value.system"},
		{"wrong unit", air("," + quantity("3", "cm")), outcome.CodeValue, "Observation.value.code"},
		{"negative", air("," + quantity("-0.5", "mL")), outcome.CodeValue, "Observation.value.value"},
		{"a bound", air(`,"valueQuantity":{"value":3,"comparator":">","system":"http://unitsofmeasure.org","code":"mL"}`), outcome.CodeValue, "Observation.value.comparator"},
		{"unknown method", observationOf(SystemLocal, "radial-patency-test", answered(SystemLocal, "patent")+`,"method":{"text":"by hand"}`), outcome.CodeCodeInvalid, "Observation.method"},
		{"date alone", strings.Replace(bleed(answered(SystemDICOM, "122033")), "2026-03-04T11:00:00+01:00", "2026-03-04", 1), outcome.CodeValue, "Observation.effective"},
		{"haematoma in mm", observationOf(SystemLocal, "access-site-haematoma", answered(SystemSNOMED, "52101004")+`,"component":[{"code":{"coding":[{"system":"`+SystemLocal+`","code":"haematoma-diameter"}]},`+quantity("45", "mm")+`}]`), outcome.CodeValue, "Observation.component.value.code"},
		{"start without a time", observationOf(SystemLocal, "compression-start", `,"valueDateTime":"2026-03"`), outcome.CodeValue, "Observation.value"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, issues := DecodeChart(parsed(t, tt.body), "")
			require.Nil(t, c)
			require.Len(t, issues, 1)
			require.Equal(t, tt.code, issues[0].Code)
			require.Equal(t, tt.at, issues[0].Expression)
			require.Positive(t, issues[0].Line)

			_, issues = DecodeChart(parsed(t, tt.body), "Bundle.entry[4].resource")
			require.Equal(t, "Bundle.entry[4].resource"+strings.TrimPrefix(tt.at, "Observation"), issues[0].Expression)
		})
	}
}

func TestDecodeChartTimes(t *testing.T) {
	of := func(effective string) *Chart {
		body := strings.Replace(observationOf(SystemLocal, "access-site-bleeding", answered(SystemDICOM, "122033")), `"effectiveDateTime":"2026-03-04T11:00:00+01:00",`, effective, 1)
		c, issues := DecodeChart(parsed(t, body), "")
		require.NotNil(t, c, "%v", issues)
		return c
	}
	at := func(minute int) time.Time { return time.Date(2026, 3, 4, 10, minute, 0, 0, time.UTC) }
	require.Equal(t, at(5), of(`"effectivePeriod":{"start":"2026-03-04T10:00:00Z","end":"2026-03-04T10:05:00Z"},`).Finding.Found)
	require.Equal(t, at(0), of(`"effectivePeriod":{"start":"2026-03-04T10:00:00Z"},`).Finding.Found)
	require.Equal(t, at(7), of(`"effectiveInstant":"2026-03-04T10:07:00Z",`).Finding.Found)
	c := of(`"issued":"2026-03-04T10:09:00Z",`)
	require.Equal(t, at(9), c.Finding.Found)
	require.Len(t, c.Warnings, 1)
	require.True(t, of("").Finding.Found.IsZero())
}

func TestDecodeChartStatus(t *testing.T) {
	of := func(status string) *Chart {
		c, issues := DecodeChart(parsed(t, strings.Replace(observationOf(SystemLocal, "access-site-bleeding", ""), `"final"`, `"`+status+`"`, 1)), "")
		require.NotNil(t, c, "%v", issues)
		return c
	}
	for _, status := range []string{"registered", "cancelled", "unknown", "entered-in-error"} {
		c := of(status) // no value is asked of what counts for nothing
		require.False(t, c.Counts)
		require.Equal(t, status == "entered-in-error", c.Withdrawn)
	}
}
