package bedside

import (
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

var noon = time.Date(2025, 3, 4, 12, 0, 0, 0, time.UTC)

// wantR4 fails unless both the project's validator and the strict parser of
// github.com/google/fhir take the resource.
func wantR4(t *testing.T, body []byte) {
	t.Helper()
	parser, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	_, err = parser.Unmarshal(body)
	require.NoError(t, err, string(body))
	issues := validate.New(validate.Options{}).Resource(body)
	require.False(t, outcome.HasErrors(issues), "%v\n%s", issues, body)
}

func TestEventsAreR4(t *testing.T) {
	for name, change := range map[string]func(c *Case){
		"diagnostic":   func(*Case) {},
		"intervention": func(c *Case) { c.Kind = "intervention" },
		"left":         func(c *Case) { c.Side = "left" },
		"no volume":    func(c *Case) { c.Volume = "" },
		"in error":     func(c *Case) { c.Status = "entered-in-error" },
	} {
		t.Run(name, func(t *testing.T) {
			c := NewCase(7, "diagnostic", noon)
			change(&c)
			wantR4(t, c.Event())
		})
	}
}

func TestObservationsAreR4(t *testing.T) {
	for name, f := range map[string]Finding{
		"bleeding":         {Code: "access-site-bleeding", Answer: "bleeding"},
		"local answer":     {Code: "band-state", Answer: "off"},
		"volume":           {Code: "band-air-removed", Amount: "1.50"},
		"pulse":            {Code: pulse, Answer: "normal"},
		"not performed":    {Code: "radial-patency-test", Missing: "not-performed"},
		"could not assess": {Code: "radial-patency-test", Missing: "could-not-assess"},
		"with identifier":  {Code: "hand-check", Answer: "normal", ID: "e-1"},
	} {
		t.Run(name, func(t *testing.T) {
			f.At, f.By, f.Patient, f.PartOf, f.Side = noon, Nurse(), "Patient/p", "Procedure/q", "right"
			body := f.Observation()
			wantR4(t, body)
			if f.Amount != "" {
				require.Contains(t, string(body), `"value":1.50`, "the written precision is kept")
			}
		})
	}
}

func TestPatientBleedsOnceAndAirIsConserved(t *testing.T) {
	p := newPatient("7", 2)
	f, _ := p.act("band-air-removed", "3")
	require.Equal(t, "3", f.Amount)
	seen, _ := p.look("access-site-bleeding")
	require.Equal(t, "haemostasis", seen.Answer)
	p.act("band-air-removed", "3")
	seen, _ = p.look("access-site-bleeding")
	require.Equal(t, "bleeding", seen.Answer)
	p.act("band-air-added", "3")
	seen, _ = p.look("access-site-bleeding")
	require.Equal(t, "haemostasis", seen.Answer)
	left, _ := p.look("band-air-volume")
	require.Equal(t, "4", left.Amount)
	f, _ = p.act("band-air-removed", "5")
	require.Equal(t, "4", f.Amount, "the syringe draws what is there")
}
