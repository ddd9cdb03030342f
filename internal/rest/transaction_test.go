package rest_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir"
)

// bedsideEntry is an entry of a random Bundle, made for one patient.
func bedsideEntry(t *rapid.T, patient string, minute int) string {
	value := rapid.SampledFrom([]string{"haemostasis", "active"}).Draw(t, "bleeding")
	codes := map[string]string{"haemostasis": `{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"122033"}`, "active": `{"system":"` + fhir.SystemLocal + `","code":"unreadable"}`}
	look := fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"%s","code":"access-site-bleeding"}]},
"subject":{"identifier":{"system":"urn:patients","value":%q}},"effectiveDateTime":%q,"performer":[{"display":"Nurse Able"}],
"valueCodeableConcept":{"coding":[%s]}}`, fhir.SystemLocal, patient, time.Now().UTC().Add(time.Duration(minute-9)*time.Minute).Truncate(time.Minute).Format(time.RFC3339), codes[value])
	switch rapid.IntRange(0, 9).Draw(t, "entry") {
	case 0:
		return entryOf("GET", "Task?_count=1", "")
	case 1:
		return entryOf("POST", "Observation", strings.Replace(look, `"final"`, `"wrong"`, 1))
	case 2:
		return entryOf("PUT", "Observation/none", `{"resourceType":"Observation","id":"none"}`)
	case 3:
		return entryOf("PUT", "Task/none", `{"resourceType":"Task","id":"none","status":"completed","intent":"order"}`, `ifMatch=W/"9"`)
	case 4:
		return entryOf("DELETE", "Observation/none", "")
	}
	return entryOf("POST", "Observation", look)
}

// known is what the service says of a patient, but for ids, versions and instants.
func (s *secured) known(patient string) []string {
	s.t.Helper()
	var out []string
	for _, query := range []string{"Observation?code=access-site-bleeding&subject:identifier=urn:patients|", "Task?patient.identifier=urn:patients|", "Flag?patient.identifier=urn:patients|"} {
		a := s.get("/fhir/"+query+patient+"&_count=200", s.as(nil))
		require.Equal(s.t, 200, a.StatusCode, a.text)
		for e := range a.doc.Get("entry").Items() {
			r := e.Get("resource")
			code := r.Get("code").Get("coding").At(0).Str("code")
			answer := r.Get("valueCodeableConcept").Get("coding").At(0).Str("code")
			out = append(out, strings.Join([]string{r.Str("resourceType"), code, r.Str("status"), r.Str("effectiveDateTime"), answer}, " "))
		}
	}
	slices.Sort(out)
	return out
}

// versions counts the versions of what there is of a patient.
func (s *secured) counted() string {
	s.t.Helper()
	out := ""
	for _, resourceType := range []string{"Observation", "Task", "CarePlan", "Provenance", "Flag"} {
		for _, r := range s.get("/fhir/"+resourceType+"/_history?_count=1", s.as(nil)).versionsOf() {
			out += resourceType + r
		}
		out += s.get("/fhir/"+resourceType+"?_count=0", s.as(nil)).doc.Get("total").Text
	}
	return out
}

// A random transaction does what its entries do one by one, or nothing at all: the latter
// if one of them alone is refused (hl7.org/fhir/R4/http.html#transaction).
func TestATransactionIsItsEntriesOrNothing(t *testing.T) {
	t.Parallel()
	whole, single := newSecured(t), newSecured(t)
	run, done := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		if run++; run > 25 {
			return // each has two plans of its own
		}
		patient := fmt.Sprint("pat-", run)
		whole.take(labA, "P-"+patient, patient)
		single.take(labA, "P-"+patient, patient)
		var entries []string
		for i := range rapid.IntRange(1, 4).Draw(rt, "entries") {
			entries = append(entries, bedsideEntry(rt, patient, 2*i))
		}
		before := whole.counted()
		answer := whole.send(http.MethodPost, "/fhir", bundleOf("transaction", entries...), whole.as(nil))
		refused := false
		for _, e := range entries {
			one := single.send(http.MethodPost, "/fhir", bundleOf("batch", e), single.as(nil))
			refused = refused || one.doc.Get("entry").At(0).Get("response").Str("status")[0] != '2'
		}
		require.Equal(rt, refused, answer.StatusCode != 200, "%s\n%s", answer.text, strings.Join(entries, "\n"))
		if refused {
			require.Equal(rt, before, whole.counted(), "nothing at all")
			return
		}
		done++
		require.Equal(rt, single.known(patient), whole.known(patient), strings.Join(entries, "\n"))
		require.Equal(rt, len(entries), answer.doc.Get("entry").Len())
	})
	require.Positive(t, done)
	require.Less(t, done, run)
}
