package site

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/events"
)

// types are those of which something may be stored.
func types() []string {
	return []string{
		"Patient", "Encounter", "Practitioner", "Procedure", "CarePlan", "Task", "Observation", "Flag", "DetectedIssue",
		"Communication", "Provenance", "ServiceRequest", "Device", "MedicationAdministration",
		"QuestionnaireResponse", "DocumentReference",
	}
}

// record is everything that can be read from outside after a run.
type record struct {
	versions  map[string][]json.RawMessage // by Type/id, oldest first
	current   map[string]json.RawMessage   // as a search gives it
	told      []change                     // the change stream, repeats too
	rejected  int                          // refused events
	kept      int                          // inputs in quarantine
	books     map[string]string            // by CarePlan/id, what the page to hand over says of the air
	witnessed []witnessed
	hooked    map[string]int // by Task/id, the latest version that the endpoint took
	disorder  []string       // versions that the endpoint took before those ahead of them
	astray    string         // how the archive differs from it, "" if it does not
	replay    []string       // episodes whose inputs no longer give their state
	probes    [][]probe      // of each replica
	turned    time.Duration  // by how much the database's clock was stepped in all
}

// change is a message of the change stream.
type change struct {
	Type, ID, VersionID, Episode string
	Seq                          int
}

// witnessed is a version of an episode: when it became due, and what it came from.
type witnessed struct {
	Episode string
	Version int64
	Due     *time.Time
	At      time.Time // by the database's clock
	Kind    string    // of the input that led to it
}

// read reads everything.
func (s *site) read(ctx context.Context) (*record, error) {
	r := &record{versions: map[string][]json.RawMessage{}, current: map[string]json.RawMessage{}, books: map[string]string{}}
	c := newClient(20 * time.Second)
	base := s.replicas[0].url()
	for _, kind := range types() {
		if err := r.readType(ctx, c, base, kind); err != nil {
			return nil, err
		}
	}
	for at := range r.current {
		if id, ok := cutPrefix(at, "CarePlan/"); ok {
			_, page, err := c.do(ctx, "GET", base+"/fhir/CarePlan/"+id+"/$handover", nil, nil)
			if err != nil {
				return nil, err
			}
			r.books[at] = bookOf(page)
		}
	}
	if err := r.readStreams(ctx, s.js); err != nil {
		return nil, err
	}
	if err := r.readDatabase(ctx, s); err != nil {
		return nil, err
	}
	r.hooked, r.disorder = s.endpoint.took()
	r.astray = s.archive.astray(r.delivered())
	for _, x := range s.replicas {
		x.probes.mu.Lock()
		r.probes = append(r.probes, slices.Clone(x.probes.list))
		x.probes.mu.Unlock()
	}
	return r, nil
}

func (r *record) readType(ctx context.Context, c *client, base, kind string) error {
	now, err := c.all(ctx, base, "/fhir/"+kind+"?_count=200")
	if err != nil {
		return err
	}
	for _, body := range now {
		r.current[kind+"/"+idOf(body)] = body
	}
	past, err := c.all(ctx, base, "/fhir/"+kind+"/_history?_count=200")
	if err != nil {
		return err
	}
	for _, body := range slices.Backward(past) {
		at := kind + "/" + idOf(body)
		r.versions[at] = append(r.versions[at], body)
	}
	for at := range r.versions {
		slices.SortStableFunc(r.versions[at], func(a, b json.RawMessage) int { return number(a) - number(b) })
	}
	return nil
}

func idOf(body []byte) string {
	var r struct{ ID string }
	_ = json.Unmarshal(body, &r) // the service's own JSON
	return r.ID
}

// number is the version of a resource.
func number(body []byte) int {
	n, _ := strconv.Atoi(versionOf(body)) // the service's own number
	return n
}

var bookText = regexp.MustCompile(`([0-9.]+) mL(, known| by the book, UNCERTAIN)`)

// bookOf finds the air in the band on a page to hand over.
func bookOf(page []byte) string { return bookText.FindString(string(page)) }

func cutPrefix(text, prefix string) (string, bool) {
	if len(text) > len(prefix) && text[:len(prefix)] == prefix {
		return text[len(prefix):], true
	}
	return "", false
}

// stream gives a stream once the cluster has a leader for it.
func stream(ctx context.Context, js jetstream.JetStream, name string) (s jetstream.Stream, err error) {
	waited := eventually(30*time.Second, "the cluster tells of stream "+name, func() bool {
		ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
		defer cancel()
		s, err = js.Stream(ctx, name)
		return err == nil
	})
	return s, errors.Join(waited, err)
}

// readStreams reads what was told, and counts what was refused.
func (r *record) readStreams(ctx context.Context, js jetstream.JetStream) error {
	refused, err := stream(ctx, js, events.StreamRejected)
	if err != nil {
		return err
	}
	r.rejected = int(refused.CachedInfo().State.Msgs)
	changes, err := stream(ctx, js, events.StreamChanges)
	if err != nil {
		return err
	}
	state := changes.CachedInfo().State
	for seq := state.FirstSeq; seq <= state.LastSeq && state.Msgs > 0; seq++ {
		var m *jetstream.RawStreamMsg
		err := eventually(10*time.Second, "the broker gives a change", func() bool {
			ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
			defer cancel()
			m, err = changes.GetMsg(ctx, seq)
			return err == nil
		})
		if err != nil {
			return err
		}
		var c change
		if err := json.Unmarshal(m.Data, &c); err != nil {
			return err
		}
		r.told = append(r.told, c)
	}
	return nil
}

// readDatabase reads what no client sees: when episodes were due, and whether their inputs
// give their state again.
func (r *record) readDatabase(ctx context.Context, s *site) error {
	conn, err := pgx.Connect(ctx, s.database.url(s.name))
	if err != nil {
		return err
	}
	defer conn.Close(ctx) //nolint:errcheck // read to the end
	const query = `SELECT w.episode, w.version, w.due, w.at, coalesce(i.kind, '') AS kind
FROM witness w LEFT JOIN episode_input i ON i.episode = w.episode AND i.seq = w.version ORDER BY w.episode, w.version, w.at`
	rows, err := conn.Query(ctx, query)
	if err != nil {
		return err
	}
	if r.witnessed, err = pgx.CollectRows(rows, pgx.RowToStructByName[witnessed]); err != nil {
		return err
	}
	if err := conn.QueryRow(ctx, `SELECT count(*) FROM quarantine`).Scan(&r.kept); err != nil {
		return err
	}
	service, done, err := s.service(ctx)
	if err != nil {
		return err
	}
	defer done()
	seen := ""
	for _, w := range r.witnessed {
		if w.Episode == seen {
			continue
		}
		seen = w.Episode
		if err := service.Replay(ctx, w.Episode); err != nil {
			r.replay = append(r.replay, err.Error())
		}
	}
	return nil
}

// settled tells what is still to be done; "" if nothing is.
func (s *site) settled(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, s.database.url(s.name))
	if err != nil {
		return "the database: " + err.Error()
	}
	defer conn.Close(ctx) //nolint:errcheck // asked and answered
	var unsent, due int
	const query = `SELECT (SELECT count(*) FROM outbox WHERE sent_at IS NULL), (SELECT count(*) FROM episode WHERE due <= clock_timestamp())`
	if err := conn.QueryRow(ctx, query).Scan(&unsent, &due); err != nil {
		return "the database: " + err.Error()
	}
	if unsent > 0 || due > 0 {
		return fmt.Sprintf("%d changes are not sent, %d episodes are due", unsent, due)
	}
	intake, err := s.js.Consumer(ctx, events.StreamProcedure, events.ConsumerProcedure)
	if err != nil {
		return "the broker: " + err.Error()
	}
	if info := intake.CachedInfo(); info.NumPending > 0 || info.NumAckPending > 0 {
		return fmt.Sprintf("%d events wait, %d are in hand", info.NumPending, info.NumAckPending)
	}
	if left := s.hooked(ctx); left != "" {
		return left
	}
	if astray := s.archived(ctx); astray != "" {
		return "the archive differs:\n" + astray
	}
	return ""
}

// hooked compares what the endpoint has with what is stored.
func (s *site) hooked(ctx context.Context) string {
	now, err := newClient(2*time.Second).all(ctx, s.replicas[0].url(), "/fhir/Task?_count=200")
	if err != nil {
		return "Tasks: " + err.Error()
	}
	latest, _ := s.endpoint.took()
	for _, task := range now {
		if at := "Task/" + idOf(task); latest[at] != number(task) {
			return fmt.Sprintf("the endpoint has version %d of %s, %d is stored", latest[at], at, number(task))
		}
	}
	return ""
}
