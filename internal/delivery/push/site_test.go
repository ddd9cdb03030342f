package push_test

import (
	"context"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push"
	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// An invented patient, known to the server, and what an event told beside it.
const (
	patientSystem = "https://ehr.example/patient"
	patient       = `{"resourceType":"Patient","id":"%s","identifier":[{"system":"https://ehr.example/patient","value":"T-77"}],"name":[{"family":"Makebelieve"}]}`
	encounter     = `{"resourceType":"Encounter","id":"%s","identifier":[{"system":"https://ehr.example/encounter","value":"E-5"}],"status":"in-progress","class":{"code":"AMB"}}`
	base          = "https://fhirsvc.example/fhir"
)

var validator = validate.New(profiles.Incoming())

// site is a store with a server to which it delivers.
type site struct {
	*testing.T
	*storetest.Memory
	server  *pushtest.Server
	carrier *push.Carrier
	seqs    map[string]int64 // the last input of each episode
	bodies  map[string]int64 // the last version of each resource
}

func newSite(t *testing.T) *site {
	s := &site{T: t, Memory: storetest.NewMemory(), server: pushtest.New(t, validator), seqs: map[string]int64{}, bodies: map[string]int64{}}
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: s.server.Base(), Timeout: 5 * time.Second})
	require.NoError(t, s.AddDestination(t.Context(), "ehr"))
	s.server.Put(strings.Replace(patient, `"id":"%s",`, "", 1))
	s.change("", resource("Patient", "p", patient), resource("Encounter", "en", encounter))
	return s
}

func (s *site) carry(d push.Destination) *push.Carrier {
	c, err := push.NewCarrier(push.Options{Destination: d, Store: s.Memory, Validator: validator, Base: base, Log: slog.New(slog.DiscardHandler)})
	require.NoError(s, err)
	return c
}

// resource makes a resource of a body with a place for its id.
func resource(kind, id, body string) store.Resource {
	return store.Resource{Type: kind, ID: id, Body: fmt.Appendf(nil, body, id)}
}

// task refers to what an event brought, and to findings.
func task(id, status string, findings ...string) store.Resource {
	var output []string
	for _, f := range findings {
		output = append(output, fmt.Sprintf(`{"type":{"text":"finding"},"valueReference":{"reference":"Observation/%s"}}`, f))
	}
	tail := ""
	if output != nil {
		tail = `,"output":[` + strings.Join(output, ",") + `]`
	}
	return resource("Task", id, `{"resourceType":"Task","id":"%[1]s","identifier":[{"system":"https://fhirsvc.example/fhir/NamingSystem/task-key","value":"%[1]s"}],
"status":"`+status+`","intent":"order","for":{"reference":"Patient/p"},"encounter":{"reference":"Encounter/en","display":"day ward"},
"reasonReference":{"reference":"Procedure/unknown"}`+tail+`}`)
}

// plan refers to Tasks.
func plan(id string, tasks ...string) store.Resource {
	var activity []string
	for _, k := range tasks {
		activity = append(activity, fmt.Sprintf(`{"reference":{"reference":"%s/Task/%s"}}`, base, k))
	}
	return resource("CarePlan", id, `{"resourceType":"CarePlan","id":"%[1]s","identifier":[{"system":"https://fhirsvc.example/fhir/NamingSystem/episode","value":"%[1]s"}],
"status":"active","intent":"plan","subject":{"reference":"Patient/p"},"activity":[`+strings.Join(activity, ",")+`]}`)
}

// finding was charted by a client, which gave it an identifier or none.
func finding(id, value, identifier string) store.Resource {
	if identifier != "" {
		identifier = `"identifier":[{"system":"https://screen.example/finding","value":"` + identifier + `"}],`
	}
	return resource("Observation", id, `{"resourceType":"Observation","id":"%s",`+identifier+`"status":"final","code":{"text":"air"},
"subject":{"reference":"Patient/p"},"effectiveDateTime":"2031-03-04T09:00:00Z","performer":[{"display":"Nurse Able"}],
"valueQuantity":{"value":`+value+`,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`)
}

// change commits the next input of an episode, each resource in its next version, and has the
// deliveries queued.
func (s *site) change(episode string, made ...store.Resource) {
	s.Helper()
	s.seqs[episode]++
	c := store.Changeset{}
	for _, r := range made {
		name := r.Type + "/" + r.ID
		s.bodies[name] += 1 + r.Skipped
		r.Version, r.Episode = s.bodies[name], episode
		r.Body = []byte(strings.Replace(string(r.Body), `,`, fmt.Sprintf(`,"meta":{"versionId":"%d","lastUpdated":"2031-03-04T09:00:00Z"},`, r.Version), 1))
		c.Resources = append(c.Resources, r)
		c.Outbox = append(c.Outbox, store.Outbox{
			Episode: episode, MessageID: fmt.Sprintf("%s/%d", name, r.Version), Subject: strconv.FormatInt(s.seqs[episode], 10),
		})
	}
	results, err := s.Commit(s.Context(), []store.Changeset{c})
	require.NoError(s, err)
	require.Equal(s, store.Committed, results[0].Status)
	_, err = s.MatchOutbox(s.Context(), 1000, match)
	require.NoError(s, err)
}

func match(_ context.Context, changes []store.OutboxRow, _ []store.Subscription) (store.Matched, error) {
	var m store.Matched
	for _, row := range changes {
		part := strings.Split(row.MessageID, "/")
		if row.Episode == "" || !fhir.Delivered(part[0]) {
			continue
		}
		version, _ := strconv.ParseInt(part[2], 10, 64)
		change, _ := strconv.ParseInt(row.Subject, 10, 64)
		m.Deliveries = append(m.Deliveries, store.Delivery{
			Seq: row.Seq, Episode: row.Episode, Change: change, Type: part[0], ID: part[1], Version: version,
		})
	}
	return m, nil
}

// once carries what waits in one queue, settles it without a wait, and tells how it ended;
// ok is false when nothing waits.
func (s *site) once() (store.DeliverySettlement, bool) {
	s.Helper()
	claims, err := s.ClaimDeliveries(s.Context(), "ehr", 1, time.Hour)
	require.NoError(s, err)
	if len(claims) == 0 {
		return store.DeliverySettlement{}, false
	}
	x, err := s.carrier.Carry(s.Context(), claims[0])
	require.NoError(s, err)
	settled := x
	settled.Wait, settled.Pause = 0, 0
	require.NoError(s, s.SettleDelivery(s.Context(), claims[0], settled))
	return x, true
}

// must carries once and wants it taken.
func (s *site) must() {
	s.Helper()
	x, ok := s.once()
	require.True(s, ok)
	require.False(s, x.Failed || x.Refused, "%+v", x.Why)
}

// remote gives the one copy that a server has of a resource.
func (s *site) remote(kind, id string) (name string, r pushtest.Resource) {
	s.Helper()
	stored, err := s.Read(s.Context(), kind, id)
	require.NoError(s, err)
	doc, _ := tree.Parse(stored.Body)
	key, _ := fhir.CopyKey(doc, kind, id)
	found := s.server.Find(kind, key.System, key.Value)
	require.Len(s, found, 1, "%s/%s", kind, id)
	for name, r = range found {
	}
	return name, r
}

// same wants the server to have what the store has, no more and no less, each reference
// leading where it leads here.
func (s *site) same() {
	s.Helper()
	expected := 1 // the patient
	for name := range s.bodies {
		kind, id, _ := strings.Cut(name, "/")
		if !fhir.Delivered(kind) {
			continue
		}
		expected++
		_, there := s.remote(kind, id)
		stored, err := s.Read(s.Context(), kind, id)
		require.NoError(s, err)
		require.Equal(s, s.expected(stored), plain(there), name)
	}
	require.Len(s, s.server.All(), expected)
}
