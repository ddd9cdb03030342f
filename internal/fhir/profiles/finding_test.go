package profiles_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

var (
	strict   = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Strict()) })
	incoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	outgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
	plain    = sync.OnceValue(func() *validate.Validator { return validate.New(validate.Options{}) })
)

// observation is a sound finding with these members beside what all have in common.
func observation(code, members string) string {
	system := fhir.SystemLocal
	if strings.Contains(code, "-") && code[0] <= '9' {
		system = fhir.SystemLOINC
	}
	return fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":%q}]},
		"subject":{"reference":"Patient/p1"},"effectiveDateTime":"2026-11-25T14:05:00+01:00",
		"performer":[{"display":"Nurse Able"}]%s}`, system, code, members)
}

func answer(system, code string) string {
	return fmt.Sprintf(`,"valueCodeableConcept":{"coding":[{"system":%q,"code":%q}]}`, system, code)
}

func amount(number, unit string) string {
	return fmt.Sprintf(`,"valueQuantity":{"value":%s,"system":%q,"code":%q}`, number, fhir.SystemUCUM, unit)
}

func component(code, value string) string {
	return fmt.Sprintf(`{"code":{"coding":[{"system":%q,"code":%q}]},%s}`, fhir.SystemLocal, code, value)
}

func errorsOf(issues []outcome.Issue) []string {
	var out []string
	for _, i := range issues {
		if i.Severity == outcome.SeverityError {
			out = append(out, i.Expression+": "+i.Details)
		}
	}
	return out
}

// refused reports whether the decoder takes the finding for wrong.
func refused(t *testing.T, body string) bool {
	t.Helper()
	doc, issues := tree.Parse([]byte(body))
	require.Empty(t, issues)
	chart, _ := fhir.DecodeChart(doc, "")
	return chart == nil
}

// Every row of what nurses chart, with each kind of value, is sound for the profile, for
// R4 and for the decoder.
func TestSoundFindings(t *testing.T) {
	const absent = `,"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"not-performed"}]}`
	const unsure = `,"dataAbsentReason":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"could-not-assess"}]}`
	components := `,"component":[` + strings.Join([]string{
		component("patency-method", `"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"doppler"}]}`),
		component("probe-finger", `"valueString":"thumb"`),
		component("artery-compressed", `"valueCodeableConcept":{"text":"ulnar"}`),
		component("barbeau-type", `"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"A"}]}`),
	}, ",") + `]`
	tests := map[string][]string{
		"access-site-bleeding": {answer(fhir.SystemDICOM, "122033"), answer(fhir.SystemDICOM, "122034"), answer(fhir.SystemSNOMED, "52101004"), absent, unsure},
		"radial-patency-test": {
			answer(fhir.SystemLocal, "patent") + components, answer(fhir.SystemSNOMED, "82334004"),
			answer(fhir.SystemLocal, "occluded") + `,"method":{"coding":[{"system":"` + fhir.SystemLocal + `","code":"duplex"}]}`, unsure,
		},
		"44974-4":           {answer(fhir.SystemSNOMED, "12146004"), answer(fhir.SystemSNOMED, "260407003"), absent},
		"band-air-volume":   {amount("12.0", "mL"), amount("0", "ml"), absent},
		"band-air-removed":  {amount("3", "mL"), absent},
		"band-air-added":    {amount("2.50", "mL"), absent},
		"compression-start": {`,"valueDateTime":"2026-11-25T13:40:00+01:00"`, absent},
		"band-state":        {answer(fhir.SystemLocal, "on"), answer(fhir.SystemLocal, "never-applied"), unsure},
		"access-site-haematoma": {
			answer(fhir.SystemSNOMED, "2667000"), answer(fhir.SystemSNOMED, "52101004") + `,"component":[` +
				component("haematoma-diameter", `"valueQuantity":{"value":4.5,"system":"http://unitsofmeasure.org","code":"cm"}`) + "," +
				component("haematoma-grade", `"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"I"}]}`) + `]`,
		},
		"hand-check": {
			answer(fhir.SystemSNOMED, "17621005"), answer(fhir.SystemSNOMED, "263654008") +
				`,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"44963-7"}]},"valueQuantity":{"value":3,"system":"http://unitsofmeasure.org","code":"s"}},
				{"code":{"coding":[{"system":"http://loinc.org","code":"39107-8"}]}` + answer(fhir.SystemSNOMED, "398979000") + `},` +
				component("hand-movement", answer(fhir.SystemSNOMED, "263654008")[1:]) + `,` + component("hand-sensation", answer(fhir.SystemLocal, "numb")[1:]) + `,` +
				component("hand-swelling", answer(fhir.SystemSNOMED, "2667000")[1:]) + `,` + component("hand-pain", answer(fhir.SystemSNOMED, "52101004")[1:]) + `]`,
		},
		"general-condition": {answer(fhir.SystemLocal, "well"), answer(fhir.SystemLocal, "chest-pain")},
		"72514-3":           {amount("4", "{score}")},
	}
	for code, values := range tests {
		for i, value := range values {
			t.Run(fmt.Sprintf("%s %d", code, i), func(t *testing.T) {
				body := observation(code, value)
				require.Empty(t, errorsOf(plain().Resource([]byte(body))), "R4")
				require.Empty(t, errorsOf(strict().Resource([]byte(body))))
				require.False(t, refused(t, body), "the decoder")
				for _, i := range incoming().Resource([]byte(body)) {
					require.False(t, profiles.IsAdvice(i.Rule), "%s", i)
				}
			})
		}
	}
}

// A finding that the decoder refuses is a fault against its profile at the same element,
// in words that name what is wrong. The other way round a profile may ask for more than
// the decoder does; then the finding is kept, with a warning.
func TestFaultsOfFindings(t *testing.T) {
	sound := observation("access-site-bleeding", answer(fhir.SystemDICOM, "122033"))
	tests := []struct {
		name, body string
		kept       bool   // the decoder takes it
		want       string // of the profile's fault
	}{
		{"bleeding: another answer", observation("access-site-bleeding", answer(fhir.SystemLocal, "patent")), false, "is not in the value set"},
		{"bleeding: text alone", observation("access-site-bleeding", `,"valueCodeableConcept":{"text":"dry"}`), false, "a code is required from the value set"},
		{"bleeding: another type", observation("access-site-bleeding", `,"valueString":"dry"`), false, "a string is not allowed here"},
		{"bleeding: nothing", observation("access-site-bleeding", ""), false, "dataAbsentReason says why there is none"},
		{"patency: another answer", observation("radial-patency-test", answer(fhir.SystemDICOM, "122033")), false, "is not in the value set"},
		{"patency: unknown method", observation("radial-patency-test", answer(fhir.SystemLocal, "patent")+`,"method":{"text":"by eye"}`), false, "a code is required"},
		{"patency: unknown method in a component", observation("radial-patency-test", answer(fhir.SystemLocal, "patent")+
			`,"component":[`+component("patency-method", `"valueCodeableConcept":{"text":"by eye"}`)+`]`), false, "a code is required"},
		{"patency: unknown type of trace", observation("radial-patency-test", answer(fhir.SystemLocal, "patent")+
			`,"component":[`+component("barbeau-type", `"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"E"}]}`)+`]`), true, "is not in the value set"},
		{"pulse: another answer", observation("44974-4", answer(fhir.SystemSNOMED, "17621005")), false, "is not in the value set"},
		{"volume: another unit", observation("band-air-volume", amount("12", "L")), false, "is not in the value set"},
		{"volume: no unit", observation("band-air-volume", `,"valueQuantity":{"value":12}`), false, "code is required"},
		{"volume: a unit of no system", observation("band-air-volume", `,"valueQuantity":{"value":12,"unit":"mL","system":"https://x.example","code":"mL"}`), false, "the value must be"},
		{"volume: negative", observation("band-air-removed", amount("-1", "mL")), false, "An amount is not negative"},
		{"volume: a bound", observation("band-air-added", `,"valueQuantity":{"value":2,"comparator":"<","system":"http://unitsofmeasure.org","code":"mL"}`), false, "comparator is not allowed here"},
		{"volume: no number", observation("band-air-added", `,"valueQuantity":{"system":"http://unitsofmeasure.org","code":"mL"}`), false, "value is required"},
		{"start: a date", observation("compression-start", `,"valueDateTime":"2026-11-25"`), false, "The start is a time of day"},
		{"start: another type", observation("compression-start", `,"valueString":"noon"`), false, "a string is not allowed here"},
		{"band: another answer", observation("band-state", answer(fhir.SystemLocal, "well")), false, "is not in the value set"},
		{"haematoma: another answer", observation("access-site-haematoma", answer(fhir.SystemLocal, "I")), false, "is not in the value set"},
		{"haematoma: diameter in mm", observation("access-site-haematoma", answer(fhir.SystemSNOMED, "52101004")+
			`,"component":[`+component("haematoma-diameter", `"valueQuantity":{"value":45,"system":"http://unitsofmeasure.org","code":"mm"}`)+`]`), false, `the value must be "cm"`},
		{"hand: another answer", observation("hand-check", answer(fhir.SystemSNOMED, "2667000")), false, "is not in the value set"},
		{"hand: refill in min", observation("hand-check", answer(fhir.SystemSNOMED, "263654008")+
			`,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"44963-7"}]},"valueQuantity":{"value":3,"system":"http://unitsofmeasure.org","code":"min"}}]`), false, `the value must be "s"`},
		{"condition: another answer", observation("general-condition", answer(fhir.SystemLocal, "on")), false, "is not in the value set"},
		{"pain: above the scale", observation("72514-3", amount("11", "{score}")), true, "from 0 to 10"},
		{"nobody named", strings.Replace(sound, `"subject":{"reference":"Patient/p1"},`, "", 1), false, "subject is required"},
		{"a patient in words", strings.Replace(sound, `"reference":"Patient/p1"`, `"display":"the old man"`, 1), false, "named by reference or by identifier"},
		{"about a group", strings.Replace(sound, `Patient/p1`, `Group/g1`, 1), true, "the reference leads to a Group"},
		{"a date alone", strings.Replace(sound, `T14:05:00+01:00`, ``, 1), false, "not a date alone"},
		{"no time", strings.Replace(sound, `"effectiveDateTime":"2026-11-25T14:05:00+01:00",`, "", 1), true, "effective is required"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Empty(t, errorsOf(plain().Resource([]byte(tt.body))), "R4 allows it")
			require.Equal(t, tt.kept, !refused(t, tt.body), "kept by the decoder")
			require.Contains(t, strings.Join(errorsOf(strict().Resource([]byte(tt.body))), "\n"), tt.want)

			issues := incoming().Resource([]byte(tt.body))
			require.Empty(t, errorsOf(issues), "a profile refuses nothing that comes in")
			var advice []string
			for _, i := range issues {
				if profiles.IsAdvice(i.Rule) {
					advice = append(advice, i.Details)
				}
			}
			require.Contains(t, strings.Join(advice, "\n"), tt.want)
		})
	}
}

// Parts of a hand in words are kept, and the sender is told that they don't count.
func TestPartsOfAHandInWords(t *testing.T) {
	for _, value := range []string{`"valueString":"dusky"`, answer(fhir.SystemLocal, "patent")[1:]} {
		body := observation("hand-check", answer(fhir.SystemSNOMED, "263654008")+`,"component":[`+component("hand-sensation", value)+`]`)
		require.Empty(t, errorsOf(incoming().Resource([]byte(body))))
		require.False(t, refused(t, body))
		var advice []string
		for _, i := range incoming().Resource([]byte(body)) {
			if profiles.IsAdvice(i.Rule) {
				advice = append(advice, i.Details)
			}
		}
		require.Contains(t, strings.Join(advice, "\n"), "hand-sensation-answer", value)
	}
}

// What is no bedside finding of ours is R4's business alone, and so is a finding that
// does not count.
func TestOtherObservationsAreLeftAlone(t *testing.T) {
	for name, body := range map[string]string{
		"unknown code": `{"resourceType":"Observation","status":"final","code":{"text":"mood"},"valueString":"cheerful"}`,
		"withdrawn":    strings.Replace(observation("access-site-bleeding", ""), `"final"`, `"entered-in-error"`, 1),
	} {
		require.Empty(t, errorsOf(strict().Resource([]byte(body))), name)
		require.False(t, name == "withdrawn" && refused(t, body))
	}
}
