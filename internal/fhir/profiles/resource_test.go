package profiles_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// Whatever is published as an example of what the service writes fits its profile.
func TestGoldenResourcesFit(t *testing.T) {
	paths, err := filepath.Glob("../../../testdata/fhir/*.json")
	require.NoError(t, err)
	held := 0
	for _, path := range paths {
		body, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Empty(t, errorsOf(outgoing().Resource(body)), path)
		for _, kind := range []string{"/Task-", "/CarePlan-", "/DetectedIssue-", "/Communication-", "/AuditEvent-"} {
			if strings.Contains(path, kind) {
				held++
			}
		}
	}
	require.Greater(t, held, 9)
}

func golden(t *testing.T, name string) string {
	t.Helper()
	body, err := os.ReadFile("../../../testdata/fhir/" + name + ".json")
	require.NoError(t, err)
	return string(body)
}

// change is one edit of a sound resource and what is said of it.
type change struct{ name, old, new, want string }

func requireFaults(t *testing.T, v *validate.Validator, sound string, tests []change) {
	t.Helper()
	require.Empty(t, errorsOf(v.Resource([]byte(sound))))
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Contains(t, sound, tt.old)
			body := strings.Replace(sound, tt.old, tt.new, 1)
			require.Empty(t, errorsOf(plain().Resource([]byte(body))), "R4 allows it")
			require.Contains(t, strings.Join(errorsOf(v.Resource([]byte(body))), "\n"), tt.want)
		})
	}
}

func TestFaultsOfAccessRecords(t *testing.T) {
	requireFaults(t, outgoing(), golden(t, "AuditEvent-create"), []change{
		{"nobody asked", `"requestor": true`, `"requestor": false`, "One agent asked for it"},
		{"refused without a reason", `"outcome": "0"`, `"outcome": "4"`, "says why"},
		{"without an action", `"action": "C",`, ``, "action is required"},
		{"a name of somebody", `"requestor": true`, `"name":"Jane Doe","requestor": true`, "name is not allowed here"},
		{"another number of somebody", `"requestor": true`, `"altId":"7","requestor": true`, "altId is not allowed here"},
		{"a narrative", `"type"`, `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"},"type"`, "text is not allowed here"},
	})
}

func TestFaultsOfTasks(t *testing.T) {
	requireFaults(t, outgoing(), golden(t, "Task-release-step-withheld"), []change{
		{"a status that no Task has", `"status": "on-hold"`, `"status": "received"`, "task-status"},
		{"another intent", `"intent": "order"`, `"intent": "plan"`, `the value must be "order"`},
		{"withheld without a reason", `"statusReason": {
    "text": "the hold after bleeding is not over; no look at the site since air was added"
  },`, ``, "says why"},
		{"an unknown kind", `"code": "release-step"`, `"code": "coffee"`, "task-kind"},
		{"for nobody", `"for": {
    "reference": "Patient/p1"
  },`, ``, "for is required"},
		{"for a group", `"reference": "Patient/p1"`, `"reference": "Group/p1"`, "leads to a Group"},
		{"based on the plan", `"reference": "ServiceRequest/coronary-angiography"`, `"reference": "CarePlan/c1"`, "leads to a CarePlan"},
		{"no priority", `"priority": "routine",`, ``, "priority is required"},
		{"with a focus", `"encounter"`, `"focus":{"reference":"Procedure/x1"},"encounter"`, "focus is not allowed here"},
		{"an unknown input", `"code": "required-finding"`, `"code": "tea"`, "task-input"},
		{"a volume in litres", `"code": "mL"`, `"code": "L"`, `the value must be "mL"`},
		{"a negative volume", `"value": 1.50`, `"value": -1.50`, "An amount is not negative"},
		{"an unknown finding wanted", `"code": "access-site-bleeding"`, `"code": "mood"`, "value set"},
		{"lateness in other words", `"intent"`, `"businessStatus":{"text":"late"},"intent"`, "lateness"},
	})
	requireFaults(t, outgoing(), golden(t, "Task-release-step-done"), []change{
		{"an output that is no Observation", `"reference": "Observation/step-2-air"`, `"reference": "Procedure/step-2-air"`, "leads to a Procedure"},
	})
}

func TestFaultsOfPlans(t *testing.T) {
	requireFaults(t, outgoing(), golden(t, "CarePlan-active"), []change{
		{"a status that no plan has", `"status": "active"`, `"status": "draft"`, "plan-status"},
		{"another intent", `"intent": "plan"`, `"intent": "order"`, `the value must be "plan"`},
		{"another category", `"code": "compression-release-plan"`, `"code": "diet"`, "compression-release-plan"},
		{"no title", `"title": "Stepwise release of the radial compression band: right wrist (radial artery)",`, ``, "title is required"},
		{"an activity without a Task", `"reference": "Task/site-check-7"`, `"reference": "ServiceRequest/s1"`, "leads to a ServiceRequest"},
		{"two protocols", `"https://hospital.example/fhir/PlanDefinition/release|2"`, `"https://a.example/p|1","https://b.example/p|1"`, "instantiatesCanonical is allowed at most 1 times"},
	})
}

func TestFaultsOfIssues(t *testing.T) {
	requireFaults(t, outgoing(), golden(t, "DetectedIssue-opposed-final"), []change{
		{"an unknown kind", `"code": "bleeding-and-not-patent"`, `"code": "weather"`, "issue-kind"},
		{"a status that none has", `"status": "final"`, `"status": "registered"`, "issue-status"},
		{"settled while it is open", `"status": "final"`, `"status": "preliminary"`, "Only a contradiction that is settled says how"},
		{"no severity", `"severity": "high",`, ``, "severity is required"},
		{"no time", `"identifiedDateTime": "2026-11-25T13:32:00Z",`, ``, "identified is required"},
		{"implicates a Task", `Observation/o7`, `Task/o7`, "leads to a Task"},
	})
}

func TestFaultsOfCalls(t *testing.T) {
	requireFaults(t, outgoing(), golden(t, "Communication-answered"), []change{
		{"a status that none has", `"status": "completed"`, `"status": "stopped"`, "call-status"},
		{"answered and still in progress", `"status": "completed"`, `"status": "in-progress"`, "completed when it was answered"},
		{"completed without an answer", `"received": "2026-11-25T14:19:00Z",`, ``, "completed when it was answered"},
		{"another category", `"code": "alert"`, `"code": "reminder"`, "alert"},
		{"about nothing", `"about"`, `"partOf"`, "about is required"},
		{"no priority", `"priority": "stat",`, ``, "priority is required"},
		{"based on a Task", `CarePlan/plan1`, `Task/plan1`, "leads to a Task"},
		{"to a patient", `"type": "PractitionerRole"`, `"reference": "Patient/p2"`, "leads to a Patient"},
	})
}

// Doses: what the decoder refuses is a fault against the profile.
func TestFaultsOfDoses(t *testing.T) {
	const sound = `{"resourceType":"MedicationAdministration","status":"in-progress",
		"medicationCodeableConcept":{"coding":[{"system":"http://www.whocc.no/atc","code":"B01AB01"}]},
		"subject":{"reference":"Patient/p1"},"effectivePeriod":{"start":"2026-11-25T14:00:00Z"}}`
	refusedDose := func(body string) bool {
		doc, issues := tree.Parse([]byte(body))
		require.Empty(t, issues)
		chart, _ := fhir.DecodeDose(doc, "")
		return chart == nil
	}
	require.False(t, refusedDose(sound))
	tests := []change{
		{"a day alone", `"start":"2026-11-25T14:00:00Z"`, `"start":"2026-11-25"`, "not a date alone"},
		{"a patient in words", `"reference":"Patient/p1"`, `"display":"the old man"`, "named by reference or by identifier"},
		{"words alone", `"coding":[{"system":"http://www.whocc.no/atc","code":"B01AB01"}]`, `"text":"heparin"`, "coded"},
	}
	requireFaults(t, strict(), sound, tests)
	for i, tt := range tests {
		require.Equal(t, i < 2, refusedDose(strings.Replace(sound, tt.old, tt.new, 1)), tt.name)
	}
}

const message = `{"resourceType":"Bundle","type":"message","timestamp":"2026-11-25T14:00:00Z","entry":[
	{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":"m1",
		"eventCoding":{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"procedure-completed"},
		"source":{"endpoint":"https://lindenbrook.example/ehr"},"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]}},
	{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000002","resource":{"resourceType":"Procedure","identifier":[{"system":"https://lindenbrook.example/ns/procedure","value":"P-1"}],
		"status":"completed","code":{"coding":[{"system":"http://snomed.info/sct","code":"33367005"}]},
		"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},
		"performedPeriod":{"start":"2026-11-25T12:00:00Z","end":"2026-11-25T12:40:00Z"},
		"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]}},
	{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000003","resource":{"resourceType":"Patient","identifier":[{"system":"https://lindenbrook.example/ns/patient","value":"4711"}]}}]}`

// The faults of a message are those that the decoder rejects it for.
func TestFaultsOfMessages(t *testing.T) {
	tests := []change{
		{"no timestamp", `"timestamp":"2026-11-25T14:00:00Z",`, ``, "timestamp is required"},
		{
			"a header without id", `"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":"m1",`,
			`"https://lindenbrook.example/m/1","resource":{"resourceType":"MessageHeader",`, "id is required",
		},
		{"a focus that is the patient", `"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]`, `"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"}]`, "The focus of the MessageHeader is the Procedure"},
		{"a patient elsewhere", `"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"}`, `"subject":{"reference":"Patient/9"}`, "The patient is in the Bundle"},
		{"a procedure without identifier", `"identifier":[{"system":"https://lindenbrook.example/ns/procedure","value":"P-1"}],`, ``, "identifier is required"},
		{"a procedure under way", `"status":"completed"`, `"status":"in-progress"`, "procedure-status"},
	}
	requireFaults(t, strict(), message, tests)
	for _, tt := range append(tests, change{name: "sound"}) {
		body := strings.Replace(message, tt.old, tt.new, 1)
		doc, issues := tree.Parse([]byte(body))
		require.Empty(t, issues)
		found := incoming().Resource([]byte(body))
		require.Empty(t, errorsOf(found), "a profile rejects nothing that comes in")
		notice, _ := fhir.DecodeNotice(doc, found, false)
		require.Equal(t, tt.name == "sound", notice != nil, tt.name)
	}
}

// An answer names the event of the question, and is no event itself.
func TestAnswersAreNoEvents(t *testing.T) {
	for _, name := range []string{"Bundle-answer-ok", "Bundle-answer-refused", "Bundle-answer-warned"} {
		require.Empty(t, errorsOf(strict().Resource([]byte(golden(t, name)))), name)
	}
}

func order(code, members string) string {
	return `{"resourceType":"ServiceRequest","status":"active","intent":"order",
		"code":{"coding":[{"system":"` + fhir.SystemLocal + `","code":"` + code + `"}]},
		"subject":{"reference":"Patient/p1"},"requester":{"display":"Dr Able"},"reasonCode":[{"text":"slow ooze"}]` + members + `}`
}

// Orders: the profile and the decoder say the same.
func TestOrders(t *testing.T) {
	const until = `,"occurrencePeriod":{"end":"2026-11-25T15:00:00Z"}`
	const at = `,"occurrenceDateTime":"2026-11-25T15:00:00Z"`
	const volume = `,"quantityQuantity":{"value":2,"system":"http://unitsofmeasure.org","code":"mL"}`
	tests := []struct {
		name, body, want string
	}{
		{"hold", order("hold", ""), ""},
		{"pause", order("pause-release", until), ""},
		{"pause without end", order("pause-release", ""), "says until when"},
		{"time", order("override-time", at), ""},
		{"time without one", order("override-time", ""), "says to when"},
		{"volume", order("override-volume", volume), ""},
		{"adjustment without volume", order("adjust-volume", ""), "says how much"},
		{"volume in litres", order("adjust-volume", strings.Replace(volume, "mL", "L", 1)), "says how much"},
		{"no requester", strings.Replace(order("hold", ""), `"requester":{"display":"Dr Able"},`, "", 1), "requester is required"},
		{"no reason", strings.Replace(order("hold", ""), `,"reasonCode":[{"text":"slow ooze"}]`, "", 1), "reasonCode is required"},
		{"a draft", strings.Replace(order("hold", ""), `"active"`, `"draft"`, 1), `the value must be "active"`},
		{"a plan", strings.Replace(order("hold", ""), `"intent":"order"`, `"intent":"plan"`, 1), `the value must be "order"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			doc, issues := tree.Parse([]byte(tt.body))
			require.Empty(t, issues)
			request, _ := fhir.DecodeRequest(doc, "")
			require.Equal(t, tt.want == "", request != nil, "the decoder")
			got := strings.Join(errorsOf(strict().Resource([]byte(tt.body))), "\n")
			if tt.want == "" {
				require.Empty(t, got)
			}
			require.Contains(t, got, tt.want)
		})
	}
}

// A sender that claims one of the profiles is advised as well, and never refused for it.
func TestClaimsAreAdvice(t *testing.T) {
	body := strings.Replace(observation("access-site-bleeding", answer(fhir.SystemLocal, "patent")), `"status"`,
		`"meta":{"profile":["`+profiles.Base+`access-site-bleeding"]},"status"`, 1)
	require.NotEmpty(t, errorsOf(strict().Resource([]byte(body))))
	require.Empty(t, errorsOf(incoming().Resource([]byte(body))))
}

func TestFind(t *testing.T) {
	require.Equal(t, fhir.CanonicalBase+"/StructureDefinition/", profiles.Base)
	require.Equal(t, "Task", profiles.Find(profiles.Base+"compression-release-task|0.1.0").Type)
	require.Equal(t, "Observation", profiles.Find("http://hl7.org/fhir/StructureDefinition/heartrate").Type)
	require.Nil(t, profiles.Find("https://x.example/none"))
}

// Each profile's snapshot says for the elements of R4's own what R4 says, or less: no
// minimum is lowered, no maximum raised (hl7.org/fhir/R4/profiling.html#cardinality).
func TestSnapshotsOnlyConstrain(t *testing.T) {
	elements := 0
	for id, doc := range published(t, "StructureDefinition") {
		base := definitions.R4().Type(doc.Root.Str("type"))
		for e := range doc.Root.Get("snapshot").Get("element").Items() {
			steps := strings.Split(e.Str("path"), ".")
			if len(steps) != 2 || e.Get("sliceName") != nil {
				continue
			}
			name := strings.TrimSuffix(steps[1], "[x]")
			own := base.Shape.Element(name)
			require.NotNil(t, own, "%s: %s", id, e.Str("path"))
			require.GreaterOrEqual(t, number(t, e.Get("min")), own.Min, "%s: %s", id, e.Str("path"))
			if own.Max != definitions.Unbounded {
				require.NotEqual(t, "*", e.Str("max"), "%s: %s", id, e.Str("path"))
			}
			elements++
		}
		require.Len(t, base.Shape.Elements, topElements(doc.Root), id)
	}
	require.Greater(t, elements, 300)
}

func topElements(sd *tree.Node) int {
	n := 0
	for e := range sd.Get("snapshot").Get("element").Items() {
		if strings.Count(e.Str("path"), ".") == 1 && e.Get("sliceName") == nil {
			n++
		}
	}
	return n
}

func number(t *testing.T, n *tree.Node) int {
	t.Helper()
	require.Len(t, n.Text, 1)
	return int(n.Text[0] - '0')
}

// The page for readers names every profile.
func TestPageNamesEveryProfile(t *testing.T) {
	page, err := os.ReadFile("../../../docs/profiles.md")
	require.NoError(t, err)
	for _, p := range profiles.All() {
		require.Contains(t, string(page), "`"+strings.TrimPrefix(p.URL, profiles.Base)+"`")
	}
}

// An issue is still one that a person understands without the profile at hand.
func TestWordsNameTheProfile(t *testing.T) {
	issues := strict().Resource([]byte(strings.Replace(message, `"timestamp":"2026-11-25T14:00:00Z",`, "", 1)))
	require.NotEmpty(t, issues)
	require.Equal(t, outcome.CodeRequired, issues[0].Code)
	require.Contains(t, issues[0].Details, "ProcedureCompletedMessage")
}
