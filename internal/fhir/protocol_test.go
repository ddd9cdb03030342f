package fhir

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

const starterFolder = "../../api/protocols/"

func starterBytes(t *testing.T, kind workflow.ProcedureKind) []byte {
	t.Helper()
	body, err := os.ReadFile(starterFolder + "PlanDefinition-stepwise-release-" + string(kind) + ".json")
	require.NoError(t, err)
	return body
}

func starter(t *testing.T, kind workflow.ProcedureKind) *workflow.Protocol {
	t.Helper()
	p, issues := ParseProtocol(starterBytes(t, kind))
	require.Empty(t, issues)
	require.NotNil(t, p)
	return p
}

func TestStartersAreReadWithoutAWord(t *testing.T) {
	paths, err := filepath.Glob(starterFolder + "*.json")
	require.NoError(t, err)
	require.Len(t, paths, 2)
	for _, kind := range []workflow.ProcedureKind{workflow.Diagnostic, workflow.Intervention} {
		p := starter(t, kind)
		require.Equal(t, kind, p.Applies.Kind)
		require.Empty(t, p.Applies.Unit, "a starter is for any unit")
		require.True(t, p.Draft, "a starter is a draft until a site approves it")
		require.Empty(t, p.Endorser)
		require.Empty(t, p.Approved)
		require.True(t, strings.HasPrefix(p.URL, CanonicalBase+"/PlanDefinition/"))
		require.Empty(t, p.Check())
	}
}

// definition reads a starter as its readers do, beside the parser.
type definition struct {
	Status, Usage, Purpose string
	RelatedArtifact        []struct{ Type, Citation string }
	Extension              []Extension
	Action                 []action
}

type action struct {
	ID     string
	Code   []CodeableConcept
	Action []action
}

func TestStartersSayCautionAndSources(t *testing.T) {
	for _, kind := range []workflow.ProcedureKind{workflow.Diagnostic, workflow.Intervention} {
		var d definition
		require.NoError(t, json.Unmarshal(starterBytes(t, kind), &d))
		require.Equal(t, "draft", d.Status)
		require.Contains(t, d.Usage, Caution)
		require.Contains(t, d.Usage, "No site has approved this draft")
		require.NotEmpty(t, d.Purpose)
		require.NotEmpty(t, d.RelatedArtifact)
		for _, a := range d.RelatedArtifact {
			require.Equal(t, "citation", a.Type)
			require.NotEmpty(t, a.Citation)
		}
		for _, e := range d.Extension {
			source := e.Extension[len(e.Extension)-1]
			require.Equal(t, "source", source.URL, "%v", e)
			require.Greater(t, len(source.ValueString), 20, "%v", e)
		}
		codes := map[string]bool{}
		walkActions(d.Action, func(a action) {
			for _, c := range a.Code {
				k, ok := ReadTask(c)
				require.True(t, ok, a.ID)
				codes[string(k)] = true
			}
		})
		for _, k := range []workflow.TaskCode{
			workflow.ArrivalCheck, workflow.SiteCheck, workflow.PatencyCheck, workflow.ReleaseStep, workflow.RestoreCompression,
			workflow.BandRemoval, workflow.Dressing, workflow.PostRemovalCheck, workflow.DischargeCheck,
		} {
			require.True(t, codes[string(k)], "the road lacks %s", k)
		}
	}
}

func walkActions(list []action, visit func(action)) {
	for _, a := range list {
		visit(a)
		walkActions(a.Action, visit)
	}
}

// edited gives the diagnostic starter with a change made to its JSON.
func edited(t *testing.T, change func(m map[string]any)) []byte {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(string(starterBytes(t, workflow.Diagnostic))))
	d.UseNumber()
	var m map[string]any
	require.NoError(t, d.Decode(&m))
	change(m)
	body, err := json.Marshal(m)
	require.NoError(t, err)
	return body
}

// parameterOf finds a parameter's sub-extension "value", and its place in the list.
func parameterOf(m map[string]any, name string) (value map[string]any, at int) {
	for i, e := range m["extension"].([]any) {
		parts := e.(map[string]any)["extension"].([]any)
		if parts[0].(map[string]any)["valueCode"] == name {
			return parts[1].(map[string]any), i
		}
	}
	panic("no parameter " + name)
}

func without(m map[string]any, name string) {
	_, at := parameterOf(m, name)
	list := m["extension"].([]any)
	m["extension"] = append(list[:at:at], list[at+1:]...)
}

func minutesOf(n string) map[string]any {
	return map[string]any{"url": "value", "valueQuantity": map[string]any{"value": json.Number(n), "unit": "min", "system": SystemUCUM, "code": "min"}}
}

func setParameter(m map[string]any, name string, value map[string]any) {
	v, _ := parameterOf(m, name)
	for k := range v {
		delete(v, k)
	}
	for k, x := range value {
		v[k] = x
	}
}

func TestProtocolFaults(t *testing.T) {
	tests := []struct {
		name   string
		change func(m map[string]any)
		code   outcome.Code
		want   string // in the details of the only issue
	}{
		{"another resource", func(m map[string]any) { m["resourceType"] = "Questionnaire" }, outcome.CodeStructure, "Questionnaire"},
		{"no url", func(m map[string]any) { delete(m, "url") }, outcome.CodeRequired, "url"},
		{"no version", func(m map[string]any) { delete(m, "version") }, outcome.CodeRequired, "version"},
		{"no title", func(m map[string]any) { delete(m, "title") }, outcome.CodeRequired, "title"},
		{"a bar in the url", func(m map[string]any) { m["url"] = "https://x.example/a|b" }, outcome.CodeValue, "bar"},
		{"retired", func(m map[string]any) { m["status"] = "retired" }, outcome.CodeBusinessRule, "retired"},
		{"active without a date", func(m map[string]any) {
			m["status"], m["endorser"] = "active", []any{map[string]any{"name": "Board"}}
		}, outcome.CodeRequired, "date of its approval"},
		{"active without an endorser", func(m map[string]any) { m["status"], m["approvalDate"] = "active", "2026-10-01" }, outcome.CodeRequired, "who approved it"},
		{"no kind", func(m map[string]any) { delete(m, "useContext") }, outcome.CodeRequired, "0 times"},
		{"an unknown context", func(m map[string]any) {
			m["useContext"] = append(m["useContext"].([]any), map[string]any{
				"code": map[string]any{"system": SystemUsageContextType, "code": "gender"}, "valueCodeableConcept": map[string]any{"text": "any"},
			})
		}, outcome.CodeNotSupported, "too widely"},
		{"a venue without identifier", func(m map[string]any) {
			m["useContext"] = append(m["useContext"].([]any), map[string]any{
				"code": map[string]any{"system": SystemUsageContextType, "code": "venue"}, "valueReference": map[string]any{"display": "ward"},
			})
		}, outcome.CodeRequired, "identifier of the unit"},
		{"two venues", func(m map[string]any) {
			for _, unit := range []string{"a", "b"} {
				m["useContext"] = append(m["useContext"].([]any), map[string]any{
					"code":           map[string]any{"system": SystemUsageContextType, "code": "venue"},
					"valueReference": map[string]any{"identifier": map[string]any{"value": unit}},
				})
			}
		}, outcome.CodeNotSupported, "says venue twice"},
		{"two kinds", func(m map[string]any) {
			m["useContext"] = append(m["useContext"].([]any), m["useContext"].([]any)[0])
		}, outcome.CodeRequired, "2 times"},
		{"an unreadable kind", func(m map[string]any) {
			m["useContext"].([]any)[0].(map[string]any)["valueCodeableConcept"] = map[string]any{"text": "any"}
		}, outcome.CodeCodeInvalid, "the focus must be"},
		{"an unknown part", func(m map[string]any) {
			_, at := parameterOf(m, "step")
			e := m["extension"].([]any)[at].(map[string]any)
			e["extension"] = append(e["extension"].([]any), map[string]any{"url": "unit", "valueString": "mL"})
		}, outcome.CodeNotSupported, "is not a part of a parameter"},
		{"a parameter missing", func(m map[string]any) { without(m, "step") }, outcome.CodeRequired, "step is missing"},
		{"a flag missing", func(m map[string]any) { without(m, "restore-on-ooze") }, outcome.CodeRequired, "restore-on-ooze is missing"},
		{"a parameter twice", func(m map[string]any) {
			_, at := parameterOf(m, "interval")
			m["extension"] = append(m["extension"].([]any), m["extension"].([]any)[at])
		}, outcome.CodeDuplicate, "interval is given twice"},
		{"misspelt", func(m map[string]any) {
			m["extension"] = append(m["extension"].([]any), map[string]any{"url": ExtensionProtocolParameter, "extension": []any{
				map[string]any{"url": "name", "valueCode": "grace-clinican-site-check"}, minutesOf("10"),
			}})
		}, outcome.CodeNotSupported, "grace-clinican-site-check is not known"},
		{"hours for minutes", func(m map[string]any) {
			v, _ := parameterOf(m, "interval")
			v["valueQuantity"].(map[string]any)["code"] = "h"
		}, outcome.CodeValue, `15 has the unit "h"`},
		{"no unit", func(m map[string]any) {
			v, _ := parameterOf(m, "step")
			delete(v["valueQuantity"].(map[string]any), "code")
		}, outcome.CodeValue, "it must be mL"},
		{"a comparator", func(m map[string]any) {
			v, _ := parameterOf(m, "step")
			v["valueQuantity"].(map[string]any)["comparator"] = "<"
		}, outcome.CodeValue, "valueQuantity"},
		{"a number as text", func(m map[string]any) {
			setParameter(m, "step", map[string]any{"url": "value", "valueString": "3"})
		}, outcome.CodeValue, "valueQuantity with the UCUM code mL"},
		{"half a minute", func(m map[string]any) { setParameter(m, "interval", minutesOf("15.5")) }, outcome.CodeValue, "whole number of minutes"},
		{"another finding", func(m map[string]any) {
			setParameter(m, "required-site-check", map[string]any{"url": "value", "valueCodeableConcept": map[string]any{"coding": []any{map[string]any{"system": SystemLOINC, "code": "8867-4"}}}})
		}, outcome.CodeValue, "code of a finding"},
		{"a finding that nobody can be asked for", func(m map[string]any) {
			setParameter(m, "required-site-check", map[string]any{"url": "value", "valueCodeableConcept": map[string]any{"coding": []any{map[string]any{"system": SystemLocal, "code": "anticoagulant-given"}}}})
		}, outcome.CodeValue, "not a finding that a check can ask for"},
		{"no value", func(m map[string]any) {
			_, at := parameterOf(m, "step")
			parts := m["extension"].([]any)[at].(map[string]any)
			parts["extension"] = parts["extension"].([]any)[:1]
		}, outcome.CodeRequired, "one name and one value"},
		// Limits are named with the value: published ward protocols run from 10 to 30 min.
		{"out of range", func(m map[string]any) { setParameter(m, "interval", minutesOf("45")) }, outcome.CodeBusinessRule, "interval is 45 min: it must be 10 to 30"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, issues := ParseProtocol(edited(t, tt.change))
			require.Nil(t, p)
			var texts []string
			found := false
			for _, i := range issues {
				texts = append(texts, i.String())
				found = found || i.Code == tt.code && strings.Contains(i.Details, tt.want)
			}
			require.True(t, found, "%s", strings.Join(texts, "\n"))
			if tt.name != "no value" { // the name can't be read, so the parameter is missing, too
				require.Len(t, issues, 1, "%s", strings.Join(texts, "\n"))
			}
		})
	}
}

func TestEveryFaultIsNamedAtOnce(t *testing.T) {
	_, issues := ParseProtocol(edited(t, func(m map[string]any) {
		delete(m, "version")
		m["status"] = "active"
		without(m, "step")
		setParameter(m, "first-release", minutesOf("500"))
		setParameter(m, "watch-at-empty", map[string]any{"url": "value", "valueBoolean": true})
	}))
	var all strings.Builder
	for _, i := range issues {
		fmt.Fprintln(&all, i.Expression, i.Details)
	}
	for _, want := range []string{"version", "approvalDate", "endorser", "step is missing", "first-release is 500 min", "watch-at-empty"} {
		require.Contains(t, all.String(), want)
	}
	require.NotContains(t, all.String(), "step is 0", "a missing parameter has no value to complain of")
}

func TestApprovedProtocolOfAUnit(t *testing.T) {
	p, issues := ParseProtocol(edited(t, func(m map[string]any) {
		m["status"], m["approvalDate"], m["endorser"] = "active", "2026-10-01", []any{map[string]any{"name": "Cardiology board"}}
		m["useContext"] = append(m["useContext"].([]any), map[string]any{
			"code":           map[string]any{"system": SystemUsageContextType, "code": "venue"},
			"valueReference": map[string]any{"identifier": map[string]any{"system": "https://hospital.example/units", "value": "day-ward"}},
		})
		setParameter(m, "step", map[string]any{"url": "value", "valueQuantity": map[string]any{"value": json.Number("2.50"), "system": SystemUCUM, "code": "mL"}})
	}))
	require.Empty(t, issues)
	require.False(t, p.Draft)
	require.Equal(t, "Cardiology board", p.Endorser)
	require.Equal(t, "2026-10-01", p.Approved)
	require.Equal(t, "https://hospital.example/units|day-ward", p.Applies.Unit)
	require.Equal(t, "2.50", p.Step.String(), "decimals keep their precision")
	require.Equal(t, 15*time.Minute, p.Interval)
}

func TestProtocolThatIsNotJSON(t *testing.T) {
	for _, body := range []string{"", "{", "[]", "null", `{"resourceType":"PlanDefinition","url":null}`} {
		p, issues := ParseProtocol([]byte(body))
		require.Nil(t, p)
		require.NotEmpty(t, issues)
	}
}
