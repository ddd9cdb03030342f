package episode

import (
	"cmp"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// The invented hospital of these tests: Lindenbrook General, catheter laboratory 2.
const (
	patients   = "https://lindenbrook.example/ns/patient"
	procedures = "https://lindenbrook.example/ns/procedure"
	endpoint   = "https://lindenbrook.example/ehr"
)

// sheathOut is when compression started in all events here.
func sheathOut() time.Time { return time.Date(2026, 3, 4, 9, 40, 0, 0, time.UTC) }

// bench is a service on an embedded store with a clock that stands still.
type bench struct {
	*Service
	t  *testing.T
	mu sync.Mutex
	at time.Time

	hours int // of the real clock that claims of Subscriptions have used up
}

// The validators are those of the service.
var (
	sharedIncoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	sharedOutgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
)

// newBench makes a bench; its test runs beside others.
func newBench(t *testing.T, wrap func(store.Store) store.Store) *bench {
	t.Helper()
	t.Parallel()
	return openBench(t, wrap)
}

// openBench makes one more bench in a test.
func openBench(t *testing.T, wrap func(store.Store) store.Store) *bench {
	t.Helper()
	in := storetest.Open(t)
	if wrap != nil {
		in = wrap(in)
	}
	b := &bench{t: t, at: sheathOut().Add(10 * time.Minute)}
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	release, err := NewRelease(protocols, nil, true)
	require.NoError(t, err)
	service, err := New(t.Context(), Options{
		Store: in, Incoming: sharedIncoming(), Outgoing: sharedOutgoing(),
		Log: slog.New(slog.DiscardHandler), Release: release,
		Endpoint: "https://fhirsvc.example/fhir", Software: "test",
		Clock: func() time.Time { b.mu.Lock(); defer b.mu.Unlock(); return b.at },
	})
	require.NoError(t, err)
	b.Service = service
	return b
}

// wait turns the clock; what falls due on the way is done.
func (b *bench) wait(d time.Duration) {
	b.t.Helper()
	timers := NewTimers(b.Service, nil)
	to := b.Now().Add(d)
	for {
		at, ok, err := timers.NextDue(b.t.Context())
		require.NoError(b.t, err)
		if !ok || at.After(to) {
			break
		}
		b.set(at)
		require.NoError(b.t, timers.FireDue(b.t.Context()))
	}
	b.set(to)
}

func (b *bench) set(t time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if t.After(b.at) {
		b.at = t
	}
}

// event is a procedure-completed message.
type event struct {
	message   string
	procedure string
	patient   string
	timestamp time.Time
	status    string
	site      string // JSON of Procedure.bodySite
	code      string
	beside    []string // more entries, JSON
	noVolume  bool
	volume    string
}

func newEvent() event {
	return event{
		message: "m1", procedure: "P-1", patient: "4711", timestamp: sheathOut().Add(5 * time.Minute),
		status: "completed", code: "33367005", volume: "12",
		site: `[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]}]`,
	}
}

func (e event) body() []byte {
	entries := []string{
		fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":%q,
			"eventCoding":{"system":%q,"code":"procedure-completed"},"source":{"endpoint":%q},
			"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]}}`, e.message, fhir.SystemLocal, endpoint),
		fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000002","resource":{"resourceType":"Procedure",
			"identifier":[{"system":%q,"value":%q}],"status":%q,
			"code":{"coding":[{"system":"http://snomed.info/sct","code":%q}]},
			"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},
			"performedPeriod":{"start":"2026-03-04T09:00:00Z","end":"2026-03-04T09:38:00Z"},"bodySite":%s}}`,
			procedures, e.procedure, e.status, e.code, e.site),
		fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000003","resource":{"resourceType":"Patient",
			"identifier":[{"system":%q,"value":%q}],"name":[{"family":"Okonedo","given":["Marit"]}]}}`, patients, e.patient),
	}
	if !e.noVolume {
		entries = append(entries, fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000004","resource":{"resourceType":"Observation",
			"status":"final","code":{"coding":[{"system":%q,"code":"band-air-volume"}]},
			"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"},"effectiveDateTime":"2026-03-04T10:40:00+01:00",
			"valueQuantity":{"value":%s,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}`, fhir.SystemLocal, e.volume))
	}
	entries = append(entries, e.beside...)
	return fmt.Appendf(nil, `{"resourceType":"Bundle","type":"message","timestamp":%q,"entry":[%s]}`,
		e.timestamp.Format(time.RFC3339), strings.Join(entries, ","))
}

func (b *bench) send(e event) (MessageAnswer, error) {
	return b.Message(b.t.Context(), Message{Body: e.body(), ContentType: fhir.ContentType, Door: DoorJetStream})
}

func (b *bench) mustSend(e event) {
	b.t.Helper()
	_, err := b.send(e)
	require.NoError(b.t, err, issuesOf(err))
}

func issuesOf(err error) string {
	if err == nil {
		return ""
	}
	return string(outcome.JSONOf(err))
}

// nurse is who charts.
func nurse() Client {
	return Client{ID: "screen-1", Display: "Nurse Abiola", Units: AllUnits()}
}

// finding is an Observation about the patient 4711, or another one.
type finding struct {
	patient string
	code    string // of the local system, or system|code
	value   string // JSON members that are the value
	at      time.Time
	more    string // more JSON members
}

func coded(system, code string) string {
	return fmt.Sprintf(`"valueCodeableConcept":{"coding":[{"system":%q,"code":%q}]}`, system, code)
}

func millilitres(n string) string {
	return fmt.Sprintf(`"valueQuantity":{"value":%s,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`, n)
}

func dry() string      { return coded(fhir.SystemDICOM, "122033") }
func bleeding() string { return coded(fhir.SystemDICOM, "122035") }

func (f finding) body() []byte {
	system, code, found := strings.Cut(f.code, "|")
	if !found {
		system, code = fhir.SystemLocal, f.code
	}
	members := []string{
		`"resourceType":"Observation"`, `"status":"final"`,
		fmt.Sprintf(`"code":{"coding":[{"system":%q,"code":%q}]}`, system, code),
		fmt.Sprintf(`"subject":{"identifier":{"system":%q,"value":%q}}`, patients, cmp.Or(f.patient, "4711")),
		fmt.Sprintf(`"effectiveDateTime":%q`, f.at.Format(time.RFC3339)),
		`"performer":[{"display":"Nurse Abiola"}]`,
	}
	if f.value != "" {
		members = append(members, f.value)
	}
	if f.more != "" {
		members = append(members, f.more)
	}
	return []byte("{" + strings.Join(members, ",") + "}")
}

func (b *bench) chartOne(e Entry) (EntryResult, error) {
	r, err := b.Chart(b.t.Context(), nurse(), []Entry{e})
	if err != nil {
		return EntryResult{}, err
	}
	require.Len(b.t, r, 1)
	return r[0], nil
}

func (b *bench) observe(f finding) (EntryResult, error) {
	if f.at.IsZero() {
		f.at = b.Now()
	}
	return b.chartOne(Entry{Method: "POST", Type: "Observation", Body: f.body()})
}

func (b *bench) mustObserve(code, value string) EntryResult {
	b.t.Helper()
	r, err := b.observe(finding{code: code, value: value})
	require.NoError(b.t, err, issuesOf(err))
	return r
}

// all gives the current resources of a type.
func (b *bench) all(resourceType string) []store.Resource {
	b.t.Helper()
	page, err := b.Store.Search(b.t.Context(), search.Query{Type: resourceType, Count: 200})
	require.NoError(b.t, err)
	return page.Matches
}

// tasks gives the Tasks with a code, by status.
func (b *bench) tasks(code, status string) []store.Resource {
	var found []store.Resource
	for _, r := range b.all("Task") {
		var t fhir.Task
		require.NoError(b.t, json.Unmarshal(r.Body, &t))
		if t.Code.Has(fhir.SystemLocal, code) && (status == "" || t.Status == status) {
			found = append(found, r)
		}
	}
	return found
}

// theEpisode gives the id of the first site of procedure P-1.
func (b *bench) theEpisode() string {
	return b.ids.episode(fhir.Identifier{System: procedures, Value: "P-1"}, 1)
}

func (b *bench) loaded(id string) *loaded {
	b.t.Helper()
	l, err := b.load(b.t.Context(), id)
	require.NoError(b.t, err)
	return l
}

// mustReplay replays every episode of the patient.
func (b *bench) mustReplay(ids ...string) {
	b.t.Helper()
	for _, id := range ids {
		require.NoError(b.t, b.Replay(b.t.Context(), id))
	}
}
