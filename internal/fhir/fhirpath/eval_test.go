package fhirpath_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

const observation = `{"resourceType":"Observation","id":"o1","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8867-4"}]},
	"subject":{"reference":"#p"},"contained":[{"resourceType":"Patient","id":"p","active":true}],
	"effectiveDateTime":"2026-03-01T10:30:00+01:00","valueQuantity":{"value":72.50,"unit":"beats/minute","system":"http://unitsofmeasure.org","code":"/min"},
	"_issued":{"extension":[{"url":"x:y","valueCode":"unknown"}]},
	"note":[{"text":"one"},{"text":"two","time":"2026-03-02"}],
	"component":[{"code":{"text":"a"},"valueString":"x"},{"code":{"text":"a"},"valueString":"x"},{"code":{"text":"b"},"valueInteger":3}]}`

// newEnv knows one reference, one value set and a narrative rule.
func newEnv(t testing.TB) *fhirpath.Env {
	t.Helper()
	doc, issues := tree.Parse([]byte(observation))
	require.Empty(t, issues)
	env := fhirpath.NewEnv(definitions.R4(), doc.Root)
	env.Resolve = func(ref string) (fhirpath.Value, bool) {
		if ref != "#p" {
			return fhirpath.Value{}, false
		}
		return env.RootOf(doc.Root.Get("contained").At(0)), true
	}
	env.Member = func(system, code, valueSet string) (ok, known bool) {
		return system == "http://loinc.org" && code == "8867-4", valueSet == "https://x.example/vs"
	}
	env.HTML = func(s string) bool { return strings.HasPrefix(s, "o") }
	env.Now = "2026-03-01T10:00:00+01:00"
	return env
}

// eval gives the results as text, joined by commas.
func eval(t testing.TB, env *fhirpath.Env, expression string) (string, error) {
	t.Helper()
	p, err := fhirpath.Compile(expression)
	if err != nil {
		return "", err
	}
	out, err := p.Eval(env, env.Resource)
	if err != nil {
		return "", err
	}
	texts := make([]string, len(out))
	for i, v := range out {
		if texts[i] = v.String(); texts[i] == "" && v.IsElement() {
			texts[i] = v.TypeName()
		}
	}
	return strings.Join(texts, ","), nil
}

// TestEval covers what HL7's suite does not: the functions that R4 adds
// (hl7.org/fhir/R4/fhirpath.html), the variables, and the corners of the language.
func TestEval(t *testing.T) {
	t.Parallel()
	tests := []struct{ expression, want string }{
		{"subject.resolve().active", "true"},
		{"subject.resolve() is Patient", "true"},
		{"subject.reference.resolve().id", "p"},
		{"code.memberOf('https://x.example/vs')", "true"},
		{"code.coding.memberOf('https://x.example/other')", ""},
		{"note.text.first().htmlChecks()", "true"},
		{"note.text.last().htmlChecks()", "false"},
		{"issued.hasValue()", "false"},
		{"issued.exists()", "true"},
		{"issued.extension('x:y').value", "unknown"},
		{"issued = @2026", "false"},
		{"value.value.getValue() is Decimal", "true"},
		{"value.value", "72.50"},
		{"value = 72.5 '/min'", "true"},
		{"value.value + 0.5", "73.00"},
		{"component.distinct().count()", "2"},
		{"component[0] = component[1]", "true"},
		{"component[0] = component[2]", "false"},
		{"component[0] ~ component[1]", "true"},
		{"component.value.ofType(integer)", "3"},
		{"component.where(value is string).count()", "2"},
		{"note[1].time > note[1].time", "false"},
		{"effective < @2026-03-01T09:31:00Z", "true"},
		{"effective = @2026-03-01T09:30:00Z", "true"},
		{"effective > @2026-03-01", ""},
		{"effective > @2026-02", "true"},
		{"effective.toDate()", "2026-03-01"},
		{"'2026-03'.toDateTime() + 1 month", "2026-04"},
		{"@2026-03-31 + 1 month", "2026-04-30"},
		{"@2024-02-29 + 1 year", "2025-02-28"},
		{"@2026-03-01 - 1 day", "2026-02-28"},
		{"@2026 + 24 months", "2028"},
		{"@T23:30 + 1 hour", "00:30"},
		{"@2026-03-01T10:00:00 < @2026-03-04T10:00:00Z", "true"},
		{"@2026-03-01T10:00:00 < @2026-03-01T20:00:00Z", ""},
		{"%resource.id & '/' & %context.id & %rootResource.note.count().toString()", "o1/o12"},
		{"%`ext-patient-birthTime`", "http://hl7.org/fhir/StructureDefinition/patient-birthTime"},
		{"note.select(text + $index.toString())", "one0,two1"},
		{"today()", "2026-03-01"},
		{"timeOfDay()", "10:00:00"},
		{"now() is DateTime", "true"},
		{"5 mod 0", ""},
		{"9223372036854775807 + 1", ""},
		{"(-7) div 2", "-3"},
		{"1.0 / 3.0 * 3.0 ~ 1.0", "true"},
		{"'a' in ('a' | 'b')", "true"},
		{"{} in ('a')", ""},
		{"'\\u00e9'.length()", "1"},
		{"'a\\nb'.matches('a.b')", "true"},
		{"hasExtension('x:y')", "false"},
	}
	env := newEnv(t)
	for _, tt := range tests {
		env.Reset()
		got, err := eval(t, env, tt.expression)
		require.NoError(t, err, tt.expression)
		require.Equal(t, tt.want, got, tt.expression)
	}
}

// TestUnits converts between units; the factors are those of the UCUM specification,
// tables 2 to 9 (ucum.org), and of NIST Special Publication 811 for the pound, the
// inch and the conventional millimetre of mercury.
func TestUnits(t *testing.T) {
	t.Parallel()
	for _, expression := range []string{
		"1 'kg' = 1000 'g'", "1 '[lb_av]' = 453.59237 'g'", "1 '[oz_av]' = 28.349523125 'g'",
		"1 '[in_i]' = 2.54 'cm'", "1 '[ft_i]' = 12 '[in_i]'", "1 '[mi_i]' = 1609.344 'm'",
		"1 'L' = 1000 'mL'", "1 'dL' = 100 'cm3'", "1 'mm[Hg]' = 133.322 'Pa'", "10 'cm[H2O]' = 980.665 'Pa'",
		"1 'bar' = 100 'kPa'", "60 '/min' = 1 'Hz'", "1 'h' = 60 'min'", "1 'wk' = 7 'd'", "100 '%' = 1 '1'",
		"1 'mmol/L' = 1 'mol/m3'", "1 'mg/dL' = 0.01 'g/L'", "70 'kg/m2' = 7 'g/cm2'", "1 'J' = 1 'N.m'", "1 'W' = 1 'J/s'",
		"1 'ug' = 1000 'ng'", "1 year = 12 months", "1 hour = 60 minutes", "1 'mL{air}' = 1 'mL'",
		"(2 'kg' + 500 'g') = 2.5 'kg'", "(1 'h' - 15 'min') = 0.75 'h'", "(2 'm' * 3 'm') = 6 'm2'", "(6 'm' / 2 's') = 3 'm/s'",
	} {
		got, err := eval(t, newEnv(t), expression)
		require.NoError(t, err, expression)
		require.Equal(t, "true", got, expression)
	}
	for expression, want := range map[string]string{
		"1 'kg' = 1 'm'": "false", "6 '[Ch]' = 6.0 '[Ch]'": "true", "6 '[Ch]' < 2 'mm'": "", "1 'kg' < 1 'm'": "", "37 'Cel' < 100 '[degF]'": "", "1 year = 1 'a'": "",
		"(1 'kg' + 1 'm').exists()": "false",
	} {
		got, err := eval(t, newEnv(t), expression)
		require.NoError(t, err, expression)
		require.Equal(t, want, got, expression)
	}
}

// TestWhatCannotBeEvaluatedFails wants an error, never a result.
func TestWhatCannotBeEvaluatedFails(t *testing.T) {
	t.Parallel()
	for _, expression := range []string{
		"note.text + 'x'", "note and true", "component.value.as(string)", "note is Annotation",
		"code < code", "code + 1", "'a' < 1", "note.text.startsWith('o')", "code.startsWith('o')", "1 + 'a'", "status.round()",
		"note.iif(true, 1)", "iif('x', 1)", "note[note]", "-status", "elementDefinition()", "code.conformsTo('x:y')",
		"note.single()", "'a'.matches('[')", "@2026-03-01 + 1 'kg'", "1.5.round(99)", "'a'.substring('b')", "(1|2).toString()",
	} {
		_, err := eval(t, newEnv(t), expression)
		var fault *fhirpath.EvalError
		require.True(t, errors.As(err, &fault), "%s: %v", expression, err)
		require.Contains(t, err.Error(), expression)
	}
	bare := fhirpath.NewEnv(definitions.R4(), &tree.Node{})
	for _, expression := range []string{"now()", "{}.htmlChecks()", "'a'.memberOf('b')"} {
		_, err := eval(t, bare, expression)
		require.Error(t, err, expression)
	}
}

func TestWhatCannotBeReadFails(t *testing.T) {
	t.Parallel()
	for _, expression := range []string{
		"", "a.", "a..b", "(a", "a)", "a b", "'x", "`x", "@2026-13", "@T25", "1 +", "a[", "f(", "nofunction()", "a is Widget", "a as FHIR.Widget",
		"where()", "where(a, b)", "%nothing", "$nothing", "a.is(1)", "99999999999999999999", "# a", "a /* b", "'\\u12'",
		strings.Repeat("(", 500) + "1" + strings.Repeat(")", 500), strings.Repeat("a.", 100_000) + "a",
	} {
		_, err := fhirpath.Compile(expression)
		var fault *fhirpath.SyntaxError
		require.True(t, errors.As(err, &fault), "%.40s: %v", expression, err)
	}
}

func TestStepsAreBounded(t *testing.T) {
	t.Parallel()
	env := newEnv(t)
	_, err := eval(t, env, "(1|2|3|4|5|6|7|8|9|10)"+strings.Repeat(".select($this | descendants() | 1 | 2 | 3).combine(%resource.descendants())", 12))
	require.ErrorContains(t, err, fhirpath.ErrTooCostly.Error())
}

func TestTest(t *testing.T) {
	t.Parallel()
	env := newEnv(t)
	for expression, want := range map[string]fhirpath.Truth{
		"status = 'final'": fhirpath.True, "status = 'amended'": fhirpath.False, "method = 'x'": fhirpath.Unknown,
		"issued > @2026 or status.exists()": fhirpath.True, "method.exists() implies method = 'x'": fhirpath.True,
		"(method = 'x').not()": fhirpath.Unknown, "method = 'x' and status = 'amended'": fhirpath.False,
		"method = 'x' xor true": fhirpath.Unknown, "true implies method = 'x'": fhirpath.Unknown,
	} {
		p, err := fhirpath.Compile(expression)
		require.NoError(t, err)
		require.Equal(t, expression, p.String())
		got, err := p.Test(env, env.Resource)
		require.NoError(t, err)
		require.Equal(t, want, got, expression)
	}
}

func TestTrace(t *testing.T) {
	t.Parallel()
	env := newEnv(t)
	var seen []string
	env.Trace = func(name string, values []fhirpath.Value) {
		for _, v := range values {
			seen = append(seen, name+"="+v.String())
		}
	}
	got, err := eval(t, env, "note.trace('n', text).count()")
	require.NoError(t, err)
	require.Equal(t, "2", got)
	require.Equal(t, []string{"n=one", "n=two"}, seen)
}

// TestAsFilters is what R4's search parameters rest on, for instance
// "(Observation.component.value as Quantity)".
func TestAsFilters(t *testing.T) {
	t.Parallel()
	env := newEnv(t)
	p, err := fhirpath.Compile("(component.value as string)", fhirpath.AsFilters())
	require.NoError(t, err)
	out, err := p.Eval(env, env.Resource)
	require.NoError(t, err)
	require.Len(t, out, 2)
	require.Equal(t, "valueString", out[0].Member().Name)
	require.Equal(t, "x", out[0].Node().Text)
	require.Nil(t, out[0].Companion())
}
