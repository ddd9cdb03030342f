package profiles_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
)

// What the profiles cost beside R4 itself, for each kind of resource that passes.
func BenchmarkProfiles(b *testing.B) {
	plan, err := os.ReadFile("../../../testdata/fhir/CarePlan-active.json")
	require.NoError(b, err)
	task, err := os.ReadFile("../../../testdata/fhir/Task-release-step-withheld.json")
	require.NoError(b, err)
	finding := observation("access-site-bleeding", answer(fhir.SystemDICOM, "122033"))
	for _, x := range []struct {
		name    string
		body    []byte
		options validate.Options
	}{
		{"Observation in", []byte(finding), profiles.Incoming()},
		{"message in", []byte(message), profiles.Incoming()},
		{"order in", []byte(order("hold", "")), profiles.Incoming()},
		{"Task out", task, profiles.Outgoing()},
		{"CarePlan out", plan, profiles.Outgoing()},
	} {
		for _, y := range []struct {
			name    string
			options validate.Options
		}{{"R4", validate.Options{}}, {"profiles", x.options}} {
			v := validate.New(y.options)
			require.Empty(b, errorsOf(v.Resource(x.body)))
			b.Run(x.name+"/"+y.name, func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(len(x.body)))
				for b.Loop() {
					v.Resource(x.body)
				}
			})
		}
	}
}

// BenchmarkStart is what the first resource waits for beyond R4's own definitions.
func BenchmarkStart(b *testing.B) {
	body := []byte(observation("access-site-bleeding", answer(fhir.SystemDICOM, "122033")))
	validate.New(validate.Options{}).Resource(body)
	b.ReportAllocs()
	for b.Loop() {
		validate.New(profiles.Incoming()).Resource(body)
	}
}
