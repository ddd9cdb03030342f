package fhir

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// parsed gives a document that must be readable.
func parsed(t *testing.T, body string) *tree.Document {
	t.Helper()
	doc, issues := tree.Parse([]byte(body))
	require.NotNil(t, doc, "%v", issues)
	return doc
}

// eventOf is a message with a procedure and what came beside it.
func eventOf(procedure string, beside ...string) string {
	entries := append([]string{
		fmt.Sprintf(`{"fullUrl":"urn:uuid:1","resource":{"resourceType":"MessageHeader","id":"m1","eventCoding":{"system":%q,"code":"procedure-completed"},
			"source":{"endpoint":"https://lindenbrook.example/ehr"},"focus":[{"reference":"urn:uuid:2"}]}}`, SystemLocal),
		fmt.Sprintf(`{"fullUrl":"urn:uuid:2","resource":{"resourceType":"Procedure","identifier":[{"value":"P-1"}],"status":"completed",
			"code":{"coding":[{"system":"http://snomed.info/sct","code":"41976001"}]},"subject":{"identifier":{"system":"urn:x","value":"4711"}},%s}}`, procedure),
	}, beside...)
	return `{"resourceType":"Bundle","type":"message","timestamp":"2026-03-04T09:45:00Z","entry":[` + strings.Join(entries, ",") + `]}`
}

const rightRadial = `"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]`

func noticeOf(t *testing.T, body string) *Notice {
	t.Helper()
	n, issues := DecodeNotice(parsed(t, body), nil, true)
	require.NotNil(t, n, "%v", issues)
	return n
}

func TestReadSites(t *testing.T) {
	coding := func(system, code string) string {
		return fmt.Sprintf(`{"system":%q,"code":%q}`, system, code)
	}
	sct := func(code string) string { return coding(SystemSNOMED, code) }
	site := func(codings ...string) string { return `{"coding":[` + strings.Join(codings, ",") + `]}` }
	right, left := Site{Ordinal: 1, Side: workflow.Right}, Site{Ordinal: 1, Side: workflow.Left}
	tests := []struct {
		name, procedure string
		want            []Site
		other           bool
	}{
		{"right", `"bodySite":[` + site(sct("368503001")) + `]`, []Site{right}, false},
		{"left", `"bodySite":[` + site(sct("368504007")) + `]`, []Site{left}, false},
		{"side as second coding", `"bodySite":[` + site(sct("45631007"), sct("24028007")) + `]`, []Site{right}, false},
		{"side of the R4 example value set", `"bodySite":[` + site(sct("45631007"), sct("419161000")) + `]`, []Site{left}, false},
		{"both sides in one", `"bodySite":[` + site(sct("45631007"), sct("24028007"), sct("7771000")) + `]`, []Site{{Ordinal: 1}}, false},
		{"distal beside the artery", `"bodySite":[` + site(sct("368504007"), coding(SystemLocal, "distal-radial-left")) + `]`, []Site{{1, workflow.Left, true}}, false},
		{"distal alone", `"bodySite":[` + site(coding(SystemLocal, "distal-radial-right")) + `]`, []Site{{1, workflow.Right, true}}, false},
		{"side in an extension", `"bodySite":[{"coding":[` + sct("45631007") + `],"extension":[{"url":"urn:x","valueCodeableConcept":` + site(sct("7771000")) + `}]}]`, []Site{left}, false},
		{"side in a contained BodyStructure", `"contained":[{"resourceType":"BodyStructure","id":"b","locationQualifier":[` + site(sct("24028007")) + `]}],
			"bodySite":[{"coding":[` + sct("45631007") + `],"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/bodySite","valueReference":{"reference":"#b"}}]}]`, []Site{right}, false},
		{"two", `"bodySite":[` + site(sct("368503001")) + `,` + site(sct("368504007")) + `]`, []Site{right, {Ordinal: 2, Side: workflow.Left}}, false},
		{"one twice", `"bodySite":[` + site(sct("368503001")) + `,` + site(sct("368503001")) + `]`, []Site{right}, false},
		{"femoral first", `"bodySite":[` + site(sct("7657000")) + `,` + site(sct("368503001")) + `]`, []Site{right}, false},
		{"femoral alone", `"bodySite":[` + site(sct("69833005")) + `]`, nil, true},
		{"via femoral artery", `"extension":[{"url":"` + ExtensionProcedureMethod + `","valueCodeableConcept":` + site(sct("260590008")) + `}]`, nil, true},
		{"via radial artery, no side", `"extension":[{"url":"` + ExtensionProcedureMethod + `","valueCodeableConcept":` + site(sct("444850002")) + `}]`, []Site{{Ordinal: 1}}, false},
		{"femoral and something unreadable", `"bodySite":[` + site(sct("7657000")) + `,{"text":"wrist"}]`, []Site{{Ordinal: 1}}, false},
		{"artery without a side", `"bodySite":[` + site(sct("45631007")) + `]`, []Site{{Ordinal: 1}}, false},
		{"nothing", `"note":[{"text":"x"}]`, []Site{{Ordinal: 1}}, false},
		{"the right code of another system", `"bodySite":[` + site(coding("urn:x", "368503001")) + `]`, []Site{{Ordinal: 1}}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := noticeOf(t, eventOf(tt.procedure)).Procedure
			var got []Site
			for _, s := range p.Sites {
				got = append(got, s.Site)
				require.Equal(t, s.Side, s.Event.Side)
				require.Equal(t, s.Distal, s.Event.Distal)
			}
			require.Equal(t, tt.want, got)
			require.Equal(t, tt.other, p.OtherRoute)
		})
	}
}

func TestDecodeNoticeForms(t *testing.T) {
	bare := `{"resourceType":"Procedure","id":"7","meta":{"versionId":"3","lastUpdated":"2026-03-04T09:50:00Z"},
		"identifier":[{"system":"urn:a","value":"A"},{"use":"official","system":"urn:b","value":"B"}],"status":"completed",
		"code":{"coding":[{"system":"http://snomed.info/sct","code":"415070008"}]},
		"subject":{"identifier":{"system":"urn:x","value":"4711"}},"performedDateTime":"2026-03-04T10:38:00.123456789+01:00",` + rightRadial + `}`
	ended := time.Date(2026, 3, 4, 9, 38, 0, 123456000, time.UTC)
	for name, body := range map[string]string{
		"bare":        bare,
		"collection":  `{"resourceType":"Bundle","type":"collection","entry":[{"resource":` + bare + `}]}`,
		"transaction": `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":` + bare + `,"request":{"method":"POST","url":"Procedure"}}]}`,
	} {
		t.Run(name, func(t *testing.T) {
			n := noticeOf(t, body)
			require.Equal(t, "urn:b", n.Source, "the official identifier with the version is the message's identity")
			require.Equal(t, "B/3", n.ID)
			require.Equal(t, time.Date(2026, 3, 4, 9, 50, 0, 0, time.UTC), n.Order)
			require.Equal(t, Identifier{Use: "official", System: "urn:b", Value: "B"}, n.Procedure.Identifier)
			require.Equal(t, workflow.Intervention, n.Procedure.Sites[0].Event.Kind)
			require.Equal(t, ended, n.Procedure.Sites[0].Event.PerformedEnd)

			_, issues := DecodeNotice(parsed(t, body), nil, false)
			require.True(t, outcome.HasErrors(issues), "over HTTP it must be a message")
		})
	}
	n := noticeOf(t, strings.Replace(bare, `"versionId":"3",`, "", 1))
	require.Empty(t, n.ID, "without a version the bytes are its identity")
}

func TestDecodeNoticeBeside(t *testing.T) {
	volume := func(more string) string {
		return fmt.Sprintf(`{"fullUrl":"urn:uuid:5","resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":"band-air-volume"}]},
			"effectiveDateTime":"2026-03-04T09:40:00Z","performer":[{"reference":"urn:uuid:9"}],
			"valueQuantity":{"value":13.50,"system":"http://unitsofmeasure.org","code":"mL"}%s}}`, SystemLocal, more)
	}
	practitioner := `{"fullUrl":"urn:uuid:9","resource":{"resourceType":"Practitioner","identifier":[{"value":"n1"}],"name":[{"family":"Falk","given":["Ine"]}]}}`
	inr := `{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"6301-6"}]},"valueQuantity":{"value":1.80,"system":"http://unitsofmeasure.org","code":"{INR}"}}}`
	device := fmt.Sprintf(`{"resource":{"resourceType":"Device","property":[{"type":{"text":"colour"}},{"type":{"coding":[{"system":%q,"code":"band-maximum-volume"}]},"valueQuantity":[{"value":18,"system":"http://unitsofmeasure.org","code":"ml"}]}]}}`, SystemLocal)
	request := `{"resource":{"resourceType":"ServiceRequest","status":"active","intent":"order","subject":{"identifier":{"system":"urn:x","value":"4711"}}}}`
	sheath := fmt.Sprintf(`{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":"sheath-size"}]},"valueQuantity":{"value":6,"system":"http://unitsofmeasure.org","code":"[Ch]"}}}`, SystemLocal)
	n := noticeOf(t, eventOf(rightRadial, volume(""), practitioner, inr, sheath, device, request))
	require.Empty(t, n.Warnings)
	e := n.Procedure.Sites[0].Event
	require.Equal(t, "13.50", e.Volume.String(), "with its written precision")
	require.Equal(t, "Ine Falk", e.VolumeBy)
	require.Equal(t, time.Date(2026, 3, 4, 9, 40, 0, 0, time.UTC), e.CompressionStart)
	require.Equal(t, "1.80", e.INR.String())
	require.Equal(t, "18", e.BandMaximum.String())
	require.Equal(t, "6", e.Sheath.String())
	require.Equal(t, "ServiceRequest", n.Entries[n.Procedure.Sites[0].Request].Type)

	both := `"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]},{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	n = noticeOf(t, eventOf(both, volume(""), practitioner))
	require.NotEmpty(t, n.Warnings, "two wrists are possible")
	require.Nil(t, n.Procedure.Sites[0].Event.Volume)
	require.Nil(t, n.Procedure.Sites[1].Event.Volume)
	n = noticeOf(t, eventOf(both, volume(`,"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}`), practitioner))
	require.Nil(t, n.Procedure.Sites[0].Event.Volume)
	require.Equal(t, "13.50", n.Procedure.Sites[1].Event.Volume.String())
}

// A fault beside the procedure drops its entry alone, and says so.
func TestDecodeNoticeDrops(t *testing.T) {
	observation := func(more string) string {
		return fmt.Sprintf(`{"resource":{"resourceType":"Observation","status":"final","effectiveDateTime":"2026-03-04T09:40:00Z",%s}}`, more)
	}
	code := fmt.Sprintf(`"code":{"coding":[{"system":%q,"code":"band-air-volume"}]}`, SystemLocal)
	for name, tt := range map[string]struct{ entry, at string }{
		"negative":        {observation(code + `,"valueQuantity":{"value":-1,"system":"http://unitsofmeasure.org","code":"mL"}`), "Bundle.entry[2].resource.value.value"},
		"no unit":         {observation(code + `,"valueQuantity":{"value":1}`), "Bundle.entry[2].resource.value.code"},
		"a bound":         {observation(code + `,"valueQuantity":{"value":1,"comparator":"<","system":"http://unitsofmeasure.org","code":"mL"}`), "Bundle.entry[2].resource.value.comparator"},
		"no value":        {observation(code), "Bundle.entry[2].resource.value"},
		"another patient": {observation(code + `,"subject":{"identifier":{"system":"urn:x","value":"other"}},"valueQuantity":{"value":1,"system":"http://unitsofmeasure.org","code":"mL"}`), "Bundle.entry[2].resource.subject"},
		"no identifier":   {`{"resource":{"resourceType":"Practitioner","name":[{"text":"x"}]}}`, "Bundle.entry[2].resource.identifier"},
	} {
		t.Run(name, func(t *testing.T) {
			n := noticeOf(t, eventOf(rightRadial, tt.entry))
			require.Len(t, n.Warnings, 1)
			require.Equal(t, outcome.SeverityWarning, n.Warnings[0].Severity)
			require.Equal(t, tt.at, n.Warnings[0].Expression)
			require.Len(t, n.Procedure.Sites[0].Event.Dropped, 1)
			require.Len(t, n.Entries, 1, "the Procedure alone is kept")
			require.Nil(t, n.Procedure.Sites[0].Event.Volume)
		})
	}
}

// What the validator found goes where it belongs: in the header and the procedure it
// rejects, beside them it drops.
func TestDecodeNoticeFilesFaults(t *testing.T) {
	entry := `{"resource":{"resourceType":"Observation","status":"final","code":{"text":"x"}}}`
	doc := parsed(t, eventOf(rightRadial, entry))
	at := func(path string) []outcome.Issue {
		return []outcome.Issue{outcome.Errorf(outcome.CodeValue, path, "wrong")}
	}
	for _, path := range []string{"Bundle", "Bundle.entry[0].resource.event", "Bundle.entry[1].resource.code"} {
		n, issues := DecodeNotice(doc, at(path), false)
		require.Nil(t, n)
		require.Equal(t, path, issues[0].Expression)
	}
	n, issues := DecodeNotice(doc, at("Bundle.entry[2].resource.code"), false)
	require.NotNil(t, n, "%v", issues)
	require.Len(t, n.Warnings, 1)
	require.Len(t, n.Entries, 1)
}

func TestDecodeNoticeUnit(t *testing.T) {
	n := noticeOf(t, eventOf(rightRadial+`,"location":{"identifier":{"system":"urn:u","value":"lab2"}}`))
	require.Equal(t, "urn:u|lab2", n.Unit)
	encounter := `{"fullUrl":"urn:uuid:8","resource":{"resourceType":"Encounter","identifier":[{"value":"E"}],"serviceProvider":{"identifier":{"value":"lab3"}}}}`
	n = noticeOf(t, eventOf(rightRadial+`,"encounter":{"reference":"urn:uuid:8"}`, encounter))
	require.Equal(t, "|lab3", n.Unit)
	n = noticeOf(t, eventOf(rightRadial+`,"encounter":{"identifier":{"system":"urn:e","value":"E"}}`))
	require.Equal(t, "urn:e|E", n.Encounter.Identifier.Token(), "it stays a logical reference")
	require.Negative(t, n.Encounter.Entry)
}

// The codings of sites are SNOMED CT identifiers, and none says two things.
func TestSiteRows(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range siteRows() {
		require.False(t, seen[row.system+row.code], row.code)
		seen[row.system+row.code] = true
		if row.system == SystemSNOMED {
			require.True(t, verhoeff(row.code), row.code)
		}
	}
}

func BenchmarkDecodeNotice(b *testing.B) {
	body := []byte(eventOf(rightRadial))
	for range b.N {
		doc, _ := tree.Parse(body)
		n, _ := DecodeNotice(doc, nil, false)
		require.NotNil(b, n)
	}
}

// HAPI FHIR's client, for one, writes no id where fullUrl is a UUID.
func TestTheIdentityOfAMessageMayBeItsFullURL(t *testing.T) {
	body := eventOf(rightRadial)
	require.Equal(t, "m1", noticeOf(t, body).ID, "the id comes first")
	without := strings.Replace(body, `"id":"m1",`, "", 1)
	uuid := "7b0c1d9e-54b5-4a3c-9e57-0d5a3c1f2b11"
	require.Equal(t, uuid, noticeOf(t, strings.Replace(without, "urn:uuid:1", "urn:uuid:"+uuid, 1)).ID)
	_, issues := DecodeNotice(parsed(t, strings.Replace(without, "urn:uuid:1", "https://lindenbrook.example/m/1", 1)), nil, true)
	require.True(t, outcome.HasErrors(issues))
}
