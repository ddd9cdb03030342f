package profiles_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
)

// differentials are the profiles without their snapshots: the validator then applies
// each differential upon its base, which owes nothing to how the snapshots were made.
func differentials(t *testing.T) *validate.Validator {
	t.Helper()
	var resources [][]byte
	for _, body := range api.Conformance() {
		var members map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(body, &members))
		delete(members, "snapshot")
		bare, err := json.Marshal(members)
		require.NoError(t, err)
		resources = append(resources, bare)
	}
	guide, err := definitions.R4().ReadGuide(resources...)
	require.NoError(t, err)
	o := profiles.Outgoing()
	o.Guide = guide
	return validate.New(o)
}

// A snapshot says what its differential and its base say together: the same resources
// are faulty, at the same elements.
func TestSnapshotsSayWhatDifferentialsSay(t *testing.T) {
	sound := []string{
		observation("access-site-bleeding", answer(fhir.SystemDICOM, "122033")), observation("band-air-removed", amount("3", "mL")),
		observation("compression-start", `,"valueDateTime":"2026-11-25T13:40:00+01:00"`),
		observation("radial-patency-test", answer(fhir.SystemLocal, "patent")+`,"component":[`+
			component("barbeau-type", `"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"A"}]}`)+`]`),
		observation("access-site-haematoma", answer(fhir.SystemSNOMED, "52101004")+`,"component":[`+
			component("haematoma-diameter", `"valueQuantity":{"value":4.5,"system":"http://unitsofmeasure.org","code":"cm"}`)+`]`),
		observation("72514-3", amount("4", "{score}")), message, order("hold", ""),
		golden(t, "Task-release-step-withheld"), golden(t, "CarePlan-active"),
	}
	edits := strings.NewReplacer(`"mL"`, `"L"`, `"cm"`, `"mm"`, `"order"`, `"plan"`, "Patient/p1", "Group/g1")
	v := differentials(t)
	faults := func(v *validate.Validator, body string) []string {
		var at []string
		for _, i := range v.Resource([]byte(body)) {
			at = append(at, i.Expression)
		}
		return distinct(at)
	}
	faulty := 0
	for _, body := range sound {
		require.Empty(t, faults(v, body))
		for _, broken := range append(without(t, body), edits.Replace(body)) {
			want, got := faults(v, broken), faults(outgoing(), broken)
			require.Equal(t, want, got, "%s", broken)
			if len(want) > 0 {
				faulty++
			}
		}
	}
	require.Greater(t, faulty, 50)
}

// without gives the resource once without each of its members.
func without(t *testing.T, body string) []string {
	t.Helper()
	var out []string
	var members map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(body), &members))
	for name := range members {
		if name == "resourceType" {
			continue
		}
		kept := map[string]json.RawMessage{}
		for k, v := range members {
			if k != name {
				kept[k] = v
			}
		}
		less, err := json.Marshal(kept)
		require.NoError(t, err)
		out = append(out, string(less))
	}
	return out
}
