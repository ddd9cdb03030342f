package rest_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// Two units of an invented hospital.
const (
	labA = "https://lindenbrook.example/units|lab-a"
	labB = "https://lindenbrook.example/units|lab-b"
)

var (
	incoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	outgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
)

// locked is a log that may be read while it is written.
type locked struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *locked) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// noting hands accesses on to the audit trail and remembers them.
type noting struct {
	*episode.Auditor
	mu   sync.Mutex
	last []fhir.Access
}

func (n *noting) Note(a fhir.Access) {
	n.mu.Lock()
	n.last = append(n.last, a)
	n.mu.Unlock()
	n.Auditor.Note(a)
}

// taken gives what was noted since it was asked last.
func (n *noting) taken() []fhir.Access {
	n.mu.Lock()
	defer n.mu.Unlock()
	out := n.last
	n.last = nil
	return out
}

// secured is the whole service behind SMART, on the wire.
type secured struct {
	*world
	issuer *smarttest.Issuer
	real   *episode.Service
	audit  *noting
	log    *locked
}

func newSecured(t *testing.T, change ...func(*rest.Options)) *secured {
	t.Helper()
	st := storetest.Open(t)
	s := &secured{world: &world{t: t, store: st}, issuer: smarttest.NewIssuer(t), log: &locked{}}
	log := slog.New(slog.NewJSONHandler(s.log, nil))
	now := func() time.Time { return time.Now().UTC() }
	s.audit = &noting{Auditor: episode.NewAuditor(episode.AuditorOptions{
		Store: st, Outgoing: outgoing(), Clock: now, Log: log, Server: "https://fhirsvc.example/fhir",
	})}
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	release, err := episode.NewRelease(protocols, nil, true)
	require.NoError(t, err)
	service, err := episode.New(t.Context(), episode.Options{
		Store: st, Incoming: incoming(), Outgoing: outgoing(), Clock: now, Log: log, Release: release,
		Endpoint: "https://fhirsvc.example/fhir", Software: "test", Auditor: s.audit.Auditor,
		Endpoints: hook.Loopback(),
	})
	require.NoError(t, err)
	s.real = service
	o := rest.Options{
		Reading: st, Charting: s.real, Messaging: s.real, Planning: s.real, Subscribing: s.real, Ready: func(context.Context) (string, error) { return "", nil }, Log: log,
		Tokens: smart.NewVerifier(smart.VerifierOptions{
			Issuer: s.issuer.URL, Audience: smarttest.Audience, UnitsClaim: "fhirsvc_units",
			Keys: smart.NewKeys(smart.KeyOptions{URL: s.issuer.JWKS}),
		}),
		Smart: &rest.Smart{TokenEndpoint: "https://issuer.example/token"}, Auditor: s.audit, Version: "1.2.3", Built: morning,
	}
	for _, f := range change {
		f(&o)
	}
	s.server = httptest.NewServer(rest.New(o))
	t.Cleanup(s.server.Close)
	return s
}

// as is the header of a token with these claims.
func (s *secured) as(change smarttest.Claims) string {
	return "Authorization: Bearer " + s.issuer.Token(change)
}

// of is the header of a client with all scopes, of these units.
func (s *secured) of(units ...string) string { return s.as(smarttest.Claims{"fhirsvc_units": units}) }

// event is a procedure in a unit, just done.
func event(unit, procedure, patient string) string {
	_, place, _ := bytes.Cut([]byte(unit), []byte("|"))
	now := time.Now().UTC().Add(-10 * time.Minute).Format(time.RFC3339)
	return fmt.Sprintf(`{"resourceType":"Bundle","type":"message","timestamp":%[4]q,"entry":[
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":"m-%[1]s",
 "eventCoding":{"system":"%[5]s","code":"procedure-completed"},"source":{"endpoint":"https://lindenbrook.example/ehr"},
 "focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]}},
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000002","resource":{"resourceType":"Procedure","status":"completed",
 "identifier":[{"system":"urn:procedures","value":"%[1]s"}],"code":{"coding":[{"system":"http://snomed.info/sct","code":"33367005"}]},
 "subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},"encounter":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000005"},
 "performedPeriod":{"start":%[4]q,"end":%[4]q},"location":{"identifier":{"system":"https://lindenbrook.example/units","value":"%[3]s"}},
 "bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]}},
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000003","resource":{"resourceType":"Patient","identifier":[{"system":"urn:patients","value":"%[2]s"}],
 "name":[{"family":"Okonedo"}],"gender":"female"}},
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000005","resource":{"resourceType":"Encounter","identifier":[{"system":"urn:visits","value":"v-%[2]s"}],
 "status":"in-progress","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"}}},
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000004","resource":{"resourceType":"Observation","status":"final",
 "code":{"coding":[{"system":"%[5]s","code":"band-air-volume"}]},"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},
 "effectiveDateTime":%[4]q,"valueQuantity":{"value":12,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}]}`,
		procedure, patient, place, now, fhir.SystemLocal)
}

// take has an event taken in from the broker.
func (s *secured) take(unit, procedure, patient string) {
	s.t.Helper()
	_, err := s.real.Message(s.t.Context(), episode.Message{Body: []byte(event(unit, procedure, patient)), Door: episode.DoorJetStream})
	require.NoError(s.t, err)
}

// id gives the id of the one resource of a type in a unit, "" for a unit of none.
func (s *secured) id(resourceType, unit string) string {
	s.t.Helper()
	page, err := s.store.Search(s.t.Context(), search.Query{Type: resourceType, Units: []string{unit}, Count: 1})
	require.NoError(s.t, err)
	require.NotEmpty(s.t, page.Matches, "%s in %s", resourceType, unit)
	return page.Matches[0].ID
}

// trail stores what is noted and gives all records, the oldest first.
func (s *secured) trail() []store.Resource {
	s.t.Helper()
	s.audit.Flush(s.t.Context())
	page, err := s.store.Search(s.t.Context(), search.Query{Type: "AuditEvent", Count: 1000, Sort: []search.Sort{{Param: "date", Kind: search.Date}}})
	require.NoError(s.t, err)
	return page.Matches
}

// sound holds an error's body against R4's definitions.
func sound(t *testing.T, body string) {
	t.Helper()
	for _, i := range outgoing().Resource([]byte(body)) {
		require.False(t, outcome.HasErrors([]outcome.Issue{i}), "%s: %s", i, body)
	}
}

// finding is a nurse's look at the site of a patient, named by identifier.
func findingOf(patient string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"%s","code":"access-site-bleeding"}]},
"subject":{"identifier":{"system":"urn:patients","value":%q}},"effectiveDateTime":%q,"performer":[{"display":"Nurse Able"}],
"valueCodeableConcept":{"coding":[{"system":"http://dicom.nema.org/resources/ontology/DCM","code":"122033"}]}}`,
		fhir.SystemLocal, patient, time.Now().UTC().Format(time.RFC3339))
}
