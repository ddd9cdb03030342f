package fhir

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// R4 date: a year, a month or a day (hl7.org/fhir/R4/datatypes.html#date). Where two ages
// are possible, none is taken.
func TestAgeOfThePatient(t *testing.T) {
	years := func(n int) *int { return &n }
	tests := []struct {
		born, ended string
		want        *int
	}{
		{"1950-03-04", "2026-03-04T10:38:00+01:00", years(76)},
		{"1950-03-05", "2026-03-04T10:38:00+01:00", years(75)},
		{"1950-03-05", "2026-03-05T00:20:00+01:00", years(76)}, // still the 4th in UTC
		{"1948-02-29", "2026-02-28T10:00:00Z", years(77)},
		{"1948-02-29", "2026-03-01T10:00:00Z", years(78)},
		{"1950-02", "2026-03-04T10:38:00Z", years(76)},
		{"1950-04", "2026-03-04T10:38:00Z", years(75)},
		{"1950-03", "2026-03-04T10:38:00Z", nil},
		{"1950", "2026-03-04T10:38:00Z", nil},
		{"1950", "2026-12-31T10:38:00Z", years(76)},
		{"2026-03-04", "2026-03-04T10:38:00Z", years(0)},
		{"2027-01-01", "2026-03-04T10:38:00Z", nil},
		{"", "2026-03-04T10:38:00Z", nil},
		{"1950-03-04", "2026-03-04", nil},
		{"1950-03-04", "", nil},
	}
	for _, tt := range tests {
		t.Run(tt.born+" "+tt.ended, func(t *testing.T) {
			patient := `{"fullUrl":"urn:uuid:3","resource":{"resourceType":"Patient","identifier":[{"system":"urn:x","value":"4711"}],"birthDate":"` + tt.born + `"}}`
			procedure := rightRadial
			if tt.ended != "" {
				procedure += fmt.Sprintf(`,"performedPeriod":{"end":%q}`, tt.ended)
			}
			body := strings.Replace(eventOf(procedure, patient), `"subject":{"identifier":{"system":"urn:x","value":"4711"}}`, `"subject":{"reference":"urn:uuid:3"}`, 1)
			require.Equal(t, tt.want, noticeOf(t, body).Procedure.Sites[0].Event.Age)
		})
	}
	require.Nil(t, noticeOf(t, eventOf(rightRadial)).Procedure.Sites[0].Event.Age, "nobody came along")
}

func TestTitrated(t *testing.T) {
	yes, no := true, false
	for value, want := range map[string]*bool{
		`"valueBoolean":true`:                     &yes,
		`"valueBoolean":false`:                    &no,
		answered(SystemYesNo, "Y")[1:]:            &yes,
		answered(SystemYesNo, "N")[1:]:            &no,
		answered(SystemSNOMED, "373066001")[1:]:   &yes,
		answered(SystemSNOMED, "373067005")[1:]:   &no,
		`"dataAbsentReason":{"text":"not asked"}`: nil,
		`"valueString":"yes"`:                     nil,
	} {
		entry := fmt.Sprintf(`{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":"band-air-volume"}]},
			"effectiveDateTime":"2026-03-04T09:40:00Z",%s,"component":[{"code":{"coding":[{"system":%q,"code":"titrated"}]},%s}]}}`,
			SystemLocal, quantity("12", "mL"), SystemLocal, value)
		n := noticeOf(t, eventOf(rightRadial, entry))
		require.Equal(t, want, n.Procedure.Sites[0].Event.Titrated, value)
		require.Equal(t, value == `"valueString":"yes"`, len(n.Warnings) > 0, value)
	}
	require.True(t, verhoeff("373066001") && verhoeff("373067005"))
}
