package validate

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

// published gives every published invariant by key, once for each expression.
func published() map[string][]definitions.Constraint {
	out := map[string][]definitions.Constraint{}
	add := func(list []definitions.Constraint) {
		for _, c := range list {
			out[c.Key] = append(out[c.Key], c)
		}
	}
	var shape func(s *definitions.Shape)
	shape = func(s *definitions.Shape) {
		for _, e := range s.Elements {
			add(e.Constraints)
			if e.Nested != nil && e.Content == "" {
				shape(e.Nested)
			}
		}
	}
	var rule func(r *definitions.Rule)
	rule = func(r *definitions.Rule) {
		add(r.Constraints)
		for _, c := range append(append([]*definitions.Rule{}, r.Children...), r.Slices...) {
			rule(c)
		}
	}
	set := definitions.R4()
	for _, name := range set.TypeNames() {
		t := set.Type(name)
		add(t.Constraints)
		shape(&t.Shape)
	}
	for _, url := range set.ProfileURLs() {
		rule(set.Profile(url).Root)
	}
	return out
}

// TestRepairsApply holds every repair to a published expression, so that none
// outlives its cause, and to a reason.
func TestRepairsApply(t *testing.T) {
	t.Parallel()
	all := published()
	for _, r := range repairs() {
		require.NotEmpty(t, r.reason, r.key)
		found := false
		for key, list := range all {
			if key != r.key && (r.key != "*-0" || !strings.HasSuffix(key, "-0")) {
				continue
			}
			for _, c := range list {
				found = found || strings.Contains(c.Expression, r.from)
			}
		}
		require.True(t, found, "%s: %s", r.key, r.from)
	}
}

// repairCase is an element that a rule's text allows or forbids. The published
// expression gives the wrong answer for wrong; the repaired one gives want always.
type repairCase struct {
	key, typeName, path, body string
	want, published           bool
}

func TestRepairsSayWhatTheTextSays(t *testing.T) {
	t.Parallel()
	const que, obs = "Questionnaire", "Observation"
	tests := []repairCase{
		{"bdl-8", "Bundle", "entry", `{"entry":[{"request":{"url":"x"}}]}`, true, false},
		{"bdl-8", "Bundle", "entry", `{"entry":[{"fullUrl":"https://x.example/T/1/_history/2"}]}`, false, false},
		{"ras-1", "RiskAssessment", "prediction.probability", `{"prediction":[{"probabilityRange":{"low":{"value":5}}}]}`, true, false},
		{"ras-1", "RiskAssessment", "prediction.probability", `{"prediction":[{"probabilityRange":{"high":{"value":5,"system":"http://unitsofmeasure.org","code":"g"}}}]}`, false, false},
		{"ras-2", "RiskAssessment", "prediction", `{"prediction":[{"rationale":"x"}]}`, true, false},
		{"ras-2", "RiskAssessment", "prediction", `{"prediction":[{"probabilityDecimal":100.5}]}`, false, false},
		{"ras-2", "RiskAssessment", "prediction", `{"prediction":[{"probabilityDecimal":99.5}]}`, true, true},
		{"que-7", que, "item.enableWhen", `{"item":[{"enableWhen":[{"operator":"exists","answerBoolean":true}]}]}`, true, false},
		{"que-7", que, "item.enableWhen", `{"item":[{"enableWhen":[{"operator":"exists","answerInteger":1}]}]}`, false, false},
		{"que-12", que, "item", `{"item":[{"enableWhen":[{"question":"1"},{"question":"2"}]}]}`, false, true},
		{"vs-1", obs, "effective", `{"effectivePeriod":{"start":"2026"}}`, true, false},
		{"vs-1", obs, "effective", `{"_effectiveDateTime":{"extension":[{"url":"x:y","valueCode":"z"}]}}`, true, false},
		{"vs-1", obs, "effective", `{"effectiveDateTime":"2026-03"}`, false, false},
		{"eld-20", "ElementDefinition", "", `{"path":"Patient.9name"}`, false, true},
		{"que-0", que, "", `{"title":"x"}`, true, false},
		{"que-0", que, "", `{"name":"not Usable"}`, false, true},
	}
	all := published()
	for _, tt := range tests {
		t.Run(tt.key+" "+tt.body, func(t *testing.T) {
			t.Parallel()
			c := all[tt.key][0]
			require.Equal(t, tt.published, tt.holds(t, c.Expression), "published: %s", c.Expression)
			fixed := repaired(c).Expression
			require.NotEqual(t, c.Expression, fixed)
			require.Equal(t, tt.want, tt.holds(t, fixed), "repaired: %s", fixed)
		})
	}
}

func (r repairCase) holds(t *testing.T, expression string) bool {
	t.Helper()
	doc, issues := tree.Parse([]byte(r.body))
	require.Empty(t, issues)
	set := definitions.R4()
	env := &fhirpath.Env{Set: set}
	env.Resource = fhirpath.Element(set.Type(r.typeName).Self, doc.Root, nil)
	focus := env.Resource
	if r.path != "" {
		p, err := fhirpath.Compile(r.path)
		require.NoError(t, err)
		found, err := p.Eval(env, focus)
		require.NoError(t, err)
		require.Len(t, found, 1)
		focus = found[0]
	}
	p, err := fhirpath.Compile(expression)
	require.NoError(t, err)
	truth, err := p.Test(env, focus)
	return err == nil && truth == fhirpath.True
}
