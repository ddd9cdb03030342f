package fhir

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

func contextOf(system, code, value string) map[string]any {
	var m map[string]any
	if err := json.Unmarshal([]byte(`{"code":{"system":"`+system+`","code":"`+code+`"},`+value+`}`), &m); err != nil {
		panic(err)
	}
	return m
}

// withContexts is the diagnostic starter for fewer episodes.
func withContexts(t *testing.T, more ...map[string]any) (*workflow.Protocol, []outcome.Issue) {
	t.Helper()
	return ParseProtocol(edited(t, func(m map[string]any) {
		for _, c := range more {
			m["useContext"] = append(m["useContext"].([]any), c)
		}
	}))
}

func ageRange(limits string) map[string]any {
	return contextOf(SystemUsageContextType, "age", `"valueRange":{`+limits+`}`)
}

func years(name, n string) string {
	return `"` + name + `":{"value":` + n + `,"system":"http://unitsofmeasure.org","code":"a"}`
}

func localConcept(code string) string { return answered(SystemLocal, code)[1:] }

func TestApplicability(t *testing.T) {
	kind := workflow.Diagnostic
	yes, no, seventy, eighty := true, false, 70, 80
	drug := func(d string) map[string]any { return contextOf(SystemLocal, "given-drug", localConcept(d)) }
	for name, tt := range map[string]struct {
		contexts []map[string]any
		want     workflow.Applicability
	}{
		"for all":        {nil, workflow.Applicability{Kind: kind}},
		"of an age":      {[]map[string]any{ageRange(years("low", "70") + "," + years("high", "80"))}, workflow.Applicability{Kind: kind, MinAge: &seventy, MaxAge: &eighty}},
		"at least":       {[]map[string]any{ageRange(years("low", "70"))}, workflow.Applicability{Kind: kind, MinAge: &seventy}},
		"at most":        {[]map[string]any{ageRange(years("high", "80"))}, workflow.Applicability{Kind: kind, MaxAge: &eighty}},
		"the right side": {[]map[string]any{contextOf(SystemLocal, "access-side", answered(SystemSNOMED, "24028007")[1:])}, workflow.Applicability{Kind: kind, Access: &workflow.Access{Side: workflow.Right}}},
		"distal":         {[]map[string]any{contextOf(SystemLocal, "access-route", localConcept("distal-radial"))}, workflow.Applicability{Kind: kind, Access: &workflow.Access{Distal: &yes}}},
		"left wrist": {[]map[string]any{
			contextOf(SystemLocal, "access-route", localConcept("wrist-radial")), contextOf(SystemLocal, "access-side", answered(SystemSNOMED, "368504007")[1:]),
		}, workflow.Applicability{Kind: kind, Access: &workflow.Access{Side: workflow.Left, Distal: &no}}},
		"with one of two drugs": {
			[]map[string]any{drug("other-anticoagulant"), contextOf(SystemLocal, "given-drug", answered(SystemATC, "B01AC13")[1:])},
			workflow.Applicability{Kind: kind, Drugs: []workflow.Drug{workflow.GlycoproteinInhibitor, workflow.OtherAnticoagulant}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			p, issues := withContexts(t, tt.contexts...)
			require.NotNil(t, p, "%v", issues)
			require.Equal(t, tt.want, p.Applies)
		})
	}
}

func TestApplicabilityFaults(t *testing.T) {
	for name, tt := range map[string]struct {
		contexts []map[string]any
		code     outcome.Code
		want     string
	}{
		"age in months":          {[]map[string]any{ageRange(`"low":{"value":8,"system":"http://unitsofmeasure.org","code":"mo"}`)}, outcome.CodeValue, "whole years"},
		"half a year":            {[]map[string]any{ageRange(years("low", "70.5"))}, outcome.CodeValue, "whole years"},
		"no limit":               {[]map[string]any{ageRange(`"id":"x"`)}, outcome.CodeValue, "whole years"},
		"age as a code":          {[]map[string]any{contextOf(SystemUsageContextType, "age", `"valueCodeableConcept":{"text":"old"}`)}, outcome.CodeValue, "whole years"},
		"nobody":                 {[]map[string]any{ageRange(years("low", "80") + "," + years("high", "70"))}, outcome.CodeValue, "nobody"},
		"two ages":               {[]map[string]any{ageRange(years("low", "70")), ageRange(years("high", "80"))}, outcome.CodeNotSupported, "age twice"},
		"no side":                {[]map[string]any{contextOf(SystemLocal, "access-side", answered(SystemSNOMED, "45631007")[1:])}, outcome.CodeCodeInvalid, "right or left"},
		"another artery":         {[]map[string]any{contextOf(SystemLocal, "access-side", answered(SystemSNOMED, "69833005")[1:])}, outcome.CodeCodeInvalid, "right or left"},
		"another route":          {[]map[string]any{contextOf(SystemLocal, "access-route", localConcept("on"))}, outcome.CodeCodeInvalid, "wrist-radial"},
		"no anticoagulant":       {[]map[string]any{contextOf(SystemLocal, "given-drug", answered(SystemATC, "B01AC06")[1:])}, outcome.CodeCodeInvalid, "glycoprotein-inhibitor"},
		"a context of no kind":   {[]map[string]any{contextOf(SystemLocal, "weight", localConcept("on"))}, outcome.CodeNotSupported, "too widely"},
		"the local code of R4's": {[]map[string]any{contextOf(SystemUsageContextType, "given-drug", localConcept("heparin"))}, outcome.CodeNotSupported, "too widely"},
	} {
		t.Run(name, func(t *testing.T) {
			p, issues := withContexts(t, tt.contexts...)
			require.Nil(t, p)
			require.Len(t, issues, 1)
			require.Equal(t, tt.code, issues[0].Code)
			require.Contains(t, issues[0].Details, tt.want)
		})
	}
}
