package fhir

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// Each part of a hand, with what says that it is not normal and what says that it is.
// The six Ps of a neurovascular check are common practice; a refill above 3 s is slow.
func TestHandSigns(t *testing.T) {
	sct, local := SystemSNOMED, SystemLocal
	concept := func(system, code string) string { return answered(system, code)[1:] }
	part := func(system, code, value string) string {
		return fmt.Sprintf(`{"code":{"coding":[{"system":%q,"code":%q}]},%s}`, system, code, value)
	}
	colour, warmth, refill := func(v string) string { return part(SystemLOINC, "39107-8", v) },
		func(v string) string { return part(SystemLOINC, "39106-0", v) }, func(v string) string { return part(SystemLOINC, "44963-7", v) }
	tests := []struct {
		name, part string
		want       workflow.HandSign
		words      bool // it can't be read as a sign or as the lack of one
	}{
		{"pale", colour(concept(sct, "398979000")), workflow.HandDiscoloured, false},
		{"cyanotic, LOINC answer", colour(concept(SystemLOINC, "LA17198-5")), workflow.HandDiscoloured, false},
		{"another colour", colour(concept(sct, "263654008")), workflow.HandDiscoloured, false},
		{"colour normal", colour(concept(sct, "17621005")), "", false},
		{"colour in words", colour(`"valueString":"dusky"`), "", true},
		{"colour as text", colour(`"valueCodeableConcept":{"text":"dusky"}`), "", true},
		{"colour not looked at", colour(`"dataAbsentReason":{"text":"dark room"}`), "", false},
		{"cold", warmth(concept(SystemLOINC, "LA15475-9")), workflow.HandCold, false},
		{"warm", warmth(concept(SystemLOINC, "LA17207-4")), "", false},
		{"refill of 3 s", refill(quantity("3.0", "s")), "", false},
		{"refill of more than 3 s", refill(quantity("3.1", "s")), workflow.HandSlowRefill, false},
		{"refill by eye", refill(concept(sct, "263654008")), workflow.HandSlowRefill, false},
		{"numb", part(local, "hand-sensation", concept(local, "numb")), workflow.HandNumb, false},
		{"reduced sensation", part(local, "hand-sensation", concept(sct, "398026008")), workflow.HandNumb, false},
		{"sensation abnormal, the graver of two", part(local, "hand-sensation", concept(sct, "263654008")), workflow.HandNumb, false},
		{"tingling", part(local, "hand-sensation", concept(local, "tingling")), workflow.HandTingling, false},
		{"tingling, coded broadly as well", part(local, "hand-sensation", `"valueCodeableConcept":{"coding":[{"system":"`+local+`","code":"tingling"},{"system":"`+sct+`","code":"263654008"}]}`), workflow.HandTingling, false},
		{"sensation normal", part(local, "hand-sensation", concept(sct, "17621005")), "", false},
		{"weak", part(local, "hand-movement", concept(sct, "299042006")), workflow.HandWeak, false},
		{"swollen", part(local, "hand-swelling", concept(sct, "52101004")), workflow.HandSwollen, false},
		{"not swollen", part(local, "hand-swelling", concept(sct, "2667000")), "", false},
		{"pain", part(local, "hand-pain", concept(sct, "52101004")), workflow.HandPain, false},
		{"no pain", part(local, "hand-pain", concept(sct, "2667000")), "", false},
		{"the answer to another part", part(local, "hand-movement", concept(local, "numb")), "", true},
		{"no part of a hand", part(local, "probe-finger", concept(sct, "263654008")), "", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			body := observationOf(local, "hand-check", answered(sct, "263654008")+`,"component":[`+tt.part+`,`+tt.part+`]`)
			c, issues := DecodeChart(parsed(t, body), "")
			require.NotNil(t, c, "%v", issues)
			if tt.want == "" {
				require.Empty(t, c.Finding.Signs)
			} else {
				require.Equal(t, []workflow.HandSign{tt.want}, c.Finding.Signs, "each once")
			}
			require.Equal(t, tt.words, len(c.Warnings) > 0, "%v", c.Warnings)
		})
	}
}

func TestEverySignOfTheCoreIsReached(t *testing.T) {
	reached := map[string]bool{}
	for _, p := range handParts() {
		for _, row := range p.answers {
			reached[string(row.value)] = true
		}
	}
	for _, sign := range constants(t, "HandSign") {
		require.True(t, reached[sign], sign)
	}
}

// A normal hand with a part that is not is kept as it was told, and said to be odd.
func TestHandThatContradictsItself(t *testing.T) {
	c, _ := DecodeChart(parsed(t, observationOf(SystemLocal, "hand-check", answered(SystemSNOMED, "17621005")+
		`,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"44963-7"}]},`+quantity("5", "s")+`}]`)), "")
	require.Equal(t, workflow.Normal, c.Finding.Answer)
	require.Equal(t, []workflow.HandSign{workflow.HandSlowRefill}, c.Finding.Signs)
	require.Len(t, c.Warnings, 1)
}

// What can't be read as pain, pressure or a grade is kept, in words, with a warning.
func TestKeptInWords(t *testing.T) {
	for name, tt := range map[string]struct {
		body string
		code workflow.FindingCode
	}{
		"pain above the scale":     {observationOf(SystemLOINC, "72514-3", ","+quantity("11", "{score}")), workflow.OtherFinding},
		"pain below it":            {observationOf(SystemLOINC, "72514-3", ","+quantity("-1", "{score}")), workflow.OtherFinding},
		"pain in words":            {observationOf(SystemLOINC, "72514-3", `,"valueString":"a lot"`), workflow.OtherFinding},
		"pressure in kPa":          {observationOf(SystemLOINC, "8480-6", ","+quantity("12", "kPa")), workflow.OtherFinding},
		"an anticoagulant in here": {observationOf(SystemLocal, "anticoagulant-given", `,"valueString":"heparin"`), workflow.OtherFinding},
		"grade VI": {observationOf(SystemLocal, "access-site-haematoma", answered(SystemSNOMED, "52101004")+
			`,"component":[{"code":{"coding":[{"system":"`+SystemLocal+`","code":"haematoma-grade"}]},"valueCodeableConcept":{"text":"VI"}}]`), workflow.Haematoma},
	} {
		t.Run(name, func(t *testing.T) {
			c, issues := DecodeChart(parsed(t, tt.body), "")
			require.NotNil(t, c, "%v", issues)
			require.Equal(t, tt.code, c.Finding.Code)
			require.Nil(t, c.Finding.Amount)
			require.Zero(t, c.Finding.Grade)
			require.NotEmpty(t, c.Finding.Text)
			require.Len(t, c.Warnings, 1)
		})
	}
	c, issues := DecodeChart(parsed(t, observationOf(SystemLOINC, "85354-9", `,"component":[{"code":{"text":"mean"},`+quantity("90", "mm[Hg]")+`}]`)), "")
	require.NotNil(t, c, "%v", issues)
	require.Equal(t, workflow.OtherFinding, c.Finding.Code, "a panel without a systolic pressure")
}
