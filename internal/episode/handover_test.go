package episode

import (
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

const handoverBase = "https://fhirsvc.example/fhir"

// page gives the document of the one plan, and its words by the title of the section; ""
// is the head.
func (b *bench) page() (*tree.Node, map[string]string) {
	b.t.Helper()
	body, plan, err := b.Handover(b.t.Context(), AllUnits(), b.ids.plan(b.theEpisode()), handoverBase)
	require.NoError(b.t, err)
	require.Equal(b.t, "CarePlan", plan.Type)
	for _, i := range sharedOutgoing().Resource(body) {
		require.False(b.t, outcome.HasErrors([]outcome.Issue{i}), "%s", i)
	}
	doc, issues := tree.Parse(body)
	require.Empty(b.t, issues)
	composition := doc.Root.Get("entry").At(0).Get("resource")
	said := map[string]string{"": wordsOf(composition)}
	for s := range composition.Get("section").Items() {
		said[s.Str("title")] = wordsOf(s)
	}
	return doc.Root, said
}

var markup = regexp.MustCompile(`<[^>]*>`)

// wordsOf is a narrative as it is read.
func wordsOf(n *tree.Node) string {
	text := markup.ReplaceAllString(strings.ReplaceAll(n.Get("text").Str("div"), "</td>", ". "), " ")
	return strings.Join(strings.Fields(html.UnescapeString(text)), " ")
}

// handedOver is an afternoon with all that a page has to say: a bleed that was held, a
// test, a swelling, a hand that tingles, an order, a drug of before and one of after.
func handedOver(t *testing.T) *bench {
	b := newBench(t, nil)
	e := newEvent()
	e.beside = []string{
		`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000011","resource":{"resourceType":"MedicationAdministration","status":"completed",
		"medicationCodeableConcept":{"coding":[{"system":"http://www.whocc.no/atc","code":"B01AB01","display":"heparin"}]},
		"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},"effectiveDateTime":"2026-03-04T09:10:00Z",
		"dosage":{"dose":{"value":5000,"unit":"IU","system":"http://unitsofmeasure.org","code":"[iU]"}}}}`,
		`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000012","resource":{"resourceType":"Observation","status":"final",
		"code":{"coding":[{"system":"` + fhir.SystemLocal + `","code":"sheath-size"}]},"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},
		"effectiveDateTime":"2026-03-04T09:10:00Z","valueQuantity":{"value":6,"unit":"Fr","system":"http://unitsofmeasure.org","code":"[Ch]"}}}`,
	}
	b.mustSend(e)
	b.mustObserve("band-air-volume", millilitres("12"))
	b.mustObserve("access-site-bleeding", dry())
	b.wait(time.Minute)
	b.mustObserve("access-site-bleeding", bleeding())
	b.wait(time.Minute)
	tick := func() { b.wait(time.Second) } // what is entered at one instant has no order
	b.mustObserve("band-air-added", millilitres("2"))
	tick()
	b.mustObserve("access-site-bleeding", dry())
	tick()
	b.mustObserve("radial-patency-test", coded(fhir.SystemLocal, "occluded"))
	tick()
	b.mustObserve("hand-check", coded(fhir.SystemSNOMED, "263654008")+`,"component":[{"code":{"coding":[{"system":"`+fhir.SystemLocal+
		`","code":"hand-sensation"}]},"valueCodeableConcept":{"coding":[{"system":"`+fhir.SystemLocal+`","code":"tingling"}]}}]`)
	b.mustObserve("access-site-haematoma", coded(fhir.SystemSNOMED, "52101004")+`,"component":[{"code":{"coding":[{"system":"`+fhir.SystemLocal+
		`","code":"haematoma-diameter"}]},"valueQuantity":{"value":2.5,"unit":"cm","system":"http://unitsofmeasure.org","code":"cm"}}]`)
	tick()
	b.mustObserve("band-air-volume", millilitres("13"))
	_, err := b.chartOne(Entry{Method: "POST", Type: "ServiceRequest", Body: []byte(`{"resourceType":"ServiceRequest","status":"active","intent":"order",
		"code":{"coding":[{"system":"` + fhir.SystemLocal + `","code":"hold"}]},"subject":{"identifier":{"system":"` + patients + `","value":"4711"}},
		"requester":{"display":"Dr Lindqvist"},"authoredOn":"2026-03-04T09:50:00Z","reasonCode":[{"text":"low platelets"}]}`)})
	require.NoError(t, err, issuesOf(err))
	_, err = b.chartOne(Entry{Method: "POST", Type: "MedicationAdministration", Body: []byte(`{"resourceType":"MedicationAdministration","status":"in-progress",
		"medicationCodeableConcept":{"coding":[{"system":"http://www.whocc.no/atc","code":"B01AC17","display":"tirofiban"}]},
		"subject":{"identifier":{"system":"` + patients + `","value":"4711"}},"effectivePeriod":{"start":"2026-03-04T09:51:00Z"},
		"performer":[{"actor":{"display":"Nurse Abiola"}}]}`)})
	require.NoError(t, err, issuesOf(err))
	b.wait(50 * time.Minute) // looks are due and not made, and somebody is called
	return b
}

// TestHandoverSaysWhatAReceiverNeeds: what the table "Hand-over" of docs/risk.md lists as
// on the page is on it, in words.
func TestHandoverSaysWhatAReceiverNeeds(t *testing.T) {
	b := handedOver(t)
	_, said := b.page()
	for section, want := range map[string][]string{
		"":    {"Okonedo", "4711", "right wrist", "As of 2026-03-04 10:42", "DRAFT", "local policy and the responsible clinician decide"},
		"Now": {"Next act", "UNCERTAIN", "13 mL counted while the book says 14 mL", "last confirmed at 09:50 by Nurse Abiola", "Not offered: the volume in the band is not known for sure", "May be lifted by: the nurse at the bedside", "Warnings"},
		"Site and artery": {
			"1 charted, last at 09:51", "dry at 09:52 with 14 mL in the band by the book",
			"Last look at the site dry (haemostasis), at 09:52", "occluded, at 09:52 with 14 mL in the band",
			"ulnar artery compressed", "present, 2.5 cm", "not normal: tingling",
		},
		"Times":              {"Start of compression 09:40", "Band off (forecast)", "Late care", "Late charting"},
		"Waits for somebody": {"Late now", "Site check", "Charted as not done none", "Unanswered calls", "clinician, called at 10:37, call number 4, about Clinician review (anticoagulant given) 1", "13 mL counted while"},
		"Orders and drugs":   {"Hold", "Dr Lindqvist", "low platelets", "heparin 5000 IU, at 09:10", "tirofiban, running since 09:51"},
		"Band and access":    {"at most 18 mL", "Band replaced no", "Pressure taken down to what holds not told", "Sheath 6 French", "INR not told"},
	} {
		for _, words := range want {
			require.Contains(t, said[section], words, section)
		}
	}
}

// TestHandoverIsADocument: R4 documents.html: what the Composition refers to is in the
// Bundle under its address; each document has an identifier of its own; nothing is stored.
func TestHandoverIsADocument(t *testing.T) {
	b := handedOver(t)
	before := len(b.all("CarePlan")) + len(b.all("Task")) + len(b.all("Provenance"))
	doc, _ := b.page()
	again, _ := b.page()
	require.NotEqual(t, doc.Get("identifier").Str("value"), again.Get("identifier").Str("value"))
	require.Equal(t, before, len(b.all("CarePlan"))+len(b.all("Task"))+len(b.all("Provenance")))

	inside := map[string]string{}
	for e := range doc.Get("entry").Items() {
		r := e.Get("resource")
		require.NotContains(t, inside, e.Str("fullUrl"), "each once")
		inside[e.Str("fullUrl")] = r.Str("resourceType")
		if r.Str("resourceType") != "Composition" {
			require.Equal(t, handoverBase+"/"+r.Str("resourceType")+"/"+r.Str("id"), e.Str("fullUrl"))
			require.Contains(t, HandoverTypes(), r.Str("resourceType"))
		}
	}
	composition := doc.Get("entry").At(0).Get("resource")
	require.Equal(t, "preliminary", composition.Str("status"))
	require.Equal(t, "Patient", inside[composition.Get("subject").Str("reference")])
	types := map[string]int{}
	for s := range composition.Get("section").Items() {
		for e := range s.Get("entry").Items() {
			require.Contains(t, inside, e.Str("reference"))
			types[inside[e.Str("reference")]]++
		}
	}
	require.Len(t, inside, 2+types["CarePlan"]+types["Task"]+types["Observation"]+types["Flag"]+types["DetectedIssue"]+types["Communication"]+
		types["Procedure"]+types["ServiceRequest"]+types["MedicationAdministration"])
	for _, resourceType := range []string{"CarePlan", "Task", "Flag", "DetectedIssue", "Communication", "Procedure", "ServiceRequest"} {
		require.NotZero(t, types[resourceType], resourceType)
	}
	require.Equal(t, 2, types["MedicationAdministration"])
	require.Equal(t, 5, types["Observation"], "count, look, test, haematoma, hand")
}

// TestHandoverIsReadInHalfAMinute: of a band that goes as planned; 240 words a minute is a
// usual pace (Brysbaert, J Mem Lang 2019: 238 for English non-fiction).
func TestHandoverIsReadInHalfAMinute(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("band-air-volume", millilitres("12"))
	b.mustObserve("access-site-bleeding", dry())
	_, said := b.page()
	words := 0
	for _, section := range []string{"Now", "Site and artery", "Times", "Waits for somebody"} {
		words += len(strings.Fields(said[section]))
	}
	t.Logf("%d words", words)
	require.LessOrEqual(t, words, 120)
}

// TestHandoverOfWhatIsNotThere: nothing is told of a plan that is not there.
func TestHandoverOfWhatIsNotThere(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	plan := b.ids.plan(b.theEpisode())
	_, _, err := b.Handover(t.Context(), UnitsOf("https://lindenbrook.example/units|other"), plan, handoverBase)
	require.Equal(t, outcome.CodeNotFound, outcome.KindOf(err))
	_, _, err = b.Handover(t.Context(), AllUnits(), "nobody", handoverBase)
	require.Equal(t, outcome.CodeNotFound, outcome.KindOf(err))
}
