package fhirpath

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// hl7.org/fhir/R4/datatypes.html#dateTime, hl7.org/fhirpath/N1 section 4.1.
func TestMomentsThatCannotBeRead(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"", "2026-", "202", "+026", "2026-13", "2026-00", "2026-02-29", "2026-2-01", "2026-03-01Z",
		"2026-03-01T10:20:30Y", "2026-03-01T24:00:00Z", "2026-03-01T10:60:00Z", "2026-03-01T10:20:61Z", "2026-03-01T1:20:30Z",
		"2026-03-01T10:", "2026-03-01T10:20:", "2026-03-01T10:20:30:40Z", "2026-03-01T10:20.5Z", "2026-03-01T10:20:30.Z",
		"2026-03-01T10:20:30.1234567890Z", "2026-03-01T10:20:30+15:00", "2026-03-01T10:20:30+01:60", "2026-03-01T10:20:30+1:00", "2026-03T10:00Z",
	} {
		_, ok := parseMoment(kindDateTime, text)
		require.False(t, ok, "%q", text)
	}
}

// TestMomentsAreOrderedAsInstants holds moments to the standard library's reading.
func TestMomentsAreOrderedAsInstants(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (moment, time.Time) {
			zone := time.FixedZone("", 60*rapid.IntRange(-14*60, 14*60).Draw(t, name+" zone"))
			at := time.Unix(rapid.Int64Range(0, 200_000).Draw(t, name), rapid.Int64Range(0, 999).Draw(t, name+" ms")*1e6).In(zone)
			m, ok := parseMoment(kindDateTime, at.Format("2006-01-02T15:04:05.000Z07:00"))
			require.True(t, ok)
			return m, at
		}
		m, a := draw("one")
		n, b := draw("other")
		order, known := m.compare(n)
		require.True(t, known)
		require.Equal(t, a.Compare(b), order)
	})
}
