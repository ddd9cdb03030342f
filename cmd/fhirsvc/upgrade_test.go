package main

import (
	"encoding/pem"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/sandbox/bedside"
)

var olderBuild = flag.String("upgrade.from", "", "`binary` of an earlier build, which serves on this build's schema; without it, this build serves on a schema that has grown")

// A replica serves while the schema changes under it. Where the new schema says that it still serves
// that build, it goes on, is started anew, and has the next release beside it; where it says that
// it does not, the build says so and is not started again. Without -upgrade.from the next
// release is invented: it has done to every table what a step may do. With it, the old build is a
// binary that was really built from its own sources, and the schema is today's (make upgrade-check).
func TestAnOlderBuildOnTheNextSchema(t *testing.T) {
	t.Parallel()
	changes := map[string]func(t *testing.T, s site){
		"which serves it": func(t *testing.T, s site) { growEverything(t, s, 0) },
		"which ends it":   func(t *testing.T, s site) { growEverything(t, s, 1) },
	}
	if *olderBuild != "" {
		changes = map[string]func(t *testing.T, s site){"today's": func(t *testing.T, s site) { s.migrate(t) }}
	}
	for name, change := range changes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			u := newUpgrade(t)
			change(t, u.this)
			if u.served() {
				u.goesOn()
			} else {
				u.ends()
			}
		})
	}
}

// upgrade is a site on which an older build serves, with a patient who has bled.
type upgrade struct {
	*testing.T
	old, this site
	schema    int // that the older build came with
	rules     int
	readers   *readers
	running   *ward
	first     bedside.Case
}

func newUpgrade(t *testing.T) *upgrade {
	t.Helper()
	u := &upgrade{T: t, this: newSite(t), first: bedside.NewCase(801, "diagnostic", time.Now().Add(-time.Minute)), readers: newReaders(t)}
	u.old = u.this
	u.old.binary = *olderBuild
	u.old.migrate(t)
	u.running = u.old.serve(t, u.readers.settings...)
	u.readers.begin(t, u.old, u.running)
	u.running.takeIn(u.first)
	u.running.register(u.readers.server)
	u.running.bleedAndStop()
	u.schema, u.rules = u.ask(`SELECT max(version) FROM schema_version`), u.ask(newestRules)
	return u
}

const newestRules = `SELECT max(rules_version) FROM episode`

func (u *upgrade) ask(sql string) (n int) {
	u.Helper()
	conn, err := pgx.Connect(u.Context(), u.this.database)
	require.NoError(u, err)
	defer conn.Close(u.Context()) //nolint:errcheck // it has told
	require.NoError(u, conn.QueryRow(u.Context(), sql).Scan(&n))
	return n
}

// served reports whether the schema says that the older build can work on it.
func (u *upgrade) served() bool {
	u.Helper()
	require.Greater(u, u.ask(`SELECT max(version) FROM schema_version`), u.schema, "it is the next one")
	return u.ask(`SELECT max(serves) FROM schema_version`) <= u.schema
}

func (u *upgrade) goesOn() {
	u.Helper()
	u.running.wantReady(http.StatusOK, "ok")
	u.running.chartOf("hand-check", "normal")
	anew := u.old.serve(u.T, u.readers.settings...)
	anew.find(u.first)
	anew.chartOf("band-air-removed", "1")

	// Its first release falls due in a moment, and is withheld: nobody has looked.
	second := bedside.NewCase(802, "diagnostic", time.Now().UTC().Truncate(time.Millisecond).Add(-time.Hour+2*time.Second))
	anew.takeIn(second)
	anew.register(u.readers.server)
	require.Eventually(u, func() bool { return anew.task("release-step/1").Status == "on-hold" }, eventually, tick, "due times are told")
	anew.bleedAndStop()
	require.Equal(u, http.StatusOK, anew.processMessage(second.Event()).Status, "the same event gets its answer again")
	for _, args := range [][]string{{"purge", "--episodes", "30", "--inbox", "30", "--outbox", "7", "--audit", "30", "--really"}, {"rejected", "list"}, {"outbox", "list"}} {
		code, stderr := u.this.do(u.T, args...)
		require.Zero(u, code, "%s: %s", args, stderr)
	}

	next := u.this.serve(u.T, u.readers.settings...)
	for _, c := range []bedside.Case{u.first, second} {
		anew.find(c)
		next.find(c)
		showTheSame(u.T, anew, next)
		next.chartOf("hand-check", "normal")
		if u.ask(newestRules) == u.rules { // else the old one leaves the episode alone
			anew.chartOf("access-site-haematoma", "absent")
		}
		showTheSame(u.T, anew, next)
	}
	next.wantSound(2)
	u.readers.wantAll(next)
	u.running.process.stop(u.T)
	for _, w := range []*ward{u.running, anew, next} {
		require.NotContains(u, w.process.stderr.String(), `"level":"ERROR"`)
	}
}

// ends holds that the older build says that it can't go on, and that the new one takes over what
// it has left.
func (u *upgrade) ends() {
	u.Helper()
	u.running.wantReady(http.StatusServiceUnavailable, "")
	code, stderr := u.old.do(u.T, "serve")
	require.Equal(u, exitUsage, code)
	require.Contains(u, stderr, "a newer release changed it")
	if u.old == u.this { // the release that goes on is invented
		u.running.wantOutlived()
		return
	}
	u.running.process.stop(u.T) // builds from before 0120 don't by themselves
	next := u.this.serve(u.T, u.readers.settings...)
	next.find(u.first)
	next.chartOf("hand-check", "normal")
	second := bedside.NewCase(802, "diagnostic", time.Now().Add(-time.Minute))
	next.takeIn(second)
	next.register(u.readers.server)
	next.bleedAndStop()
	next.wantSound(2)
	u.readers.wantAll(next)
	for _, w := range []*ward{u.running, next} {
		require.NotContains(u, w.process.stderr.String(), `"level":"ERROR"`)
	}
}

// readers are told of changes by whichever replica gets to it.
type readers struct {
	settings []string
	hook     *receiver
	endpoint string
	server   *pushtest.Server // of an external site
	delivers bool             // the build that was there first knows how to
}

func newReaders(t *testing.T) *readers {
	t.Helper()
	r := &readers{hook: newReceiver(t, 0), server: pushtest.New(t, validate.New(profiles.Incoming()))}
	r.hook.refuses = 0
	endpoint := httptest.NewTLSServer(r.hook)
	t.Cleanup(endpoint.Close)
	r.endpoint = endpoint.URL
	dir := t.TempDir()
	roots, list := filepath.Join(dir, "roots.pem"), filepath.Join(dir, "destinations.json")
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: endpoint.Certificate().Raw})
	require.NoError(t, os.WriteFile(roots, certificate, 0o600))
	require.NoError(t, os.WriteFile(list, fmt.Appendf(nil, `{"destinations": [{"name": "ehr", "base": %q}]}`, r.server.Base()), 0o600))
	r.settings = []string{"FHIRSVC_DESTINATIONS=" + list, "FHIRSVC_SUBSCRIPTION_ENDPOINTS=" + endpoint.URL, "SSL_CERT_FILE=" + roots}
	return r
}

// begin has both be told of all that comes.
func (r *readers) begin(t *testing.T, s site, w *ward) {
	t.Helper()
	id := w.asksToBeTold("Task", r.endpoint+"/plain", shortTimeout)
	require.Eventually(t, func() bool { return w.statusOf(id) == "active" }, eventually, tick)
	help := s.launch(t, nil, "serve", "--help")
	<-help.ended
	r.delivers = strings.Contains(help.stdout.String()+help.stderr.String(), "FHIRSVC_DESTINATIONS")
	if r.delivers {
		require.Eventually(t, func() bool { return strings.Contains(w.process.stderr.String(), "destination added") }, eventually, tick)
	}
}

// wantAll waits until the readers have what is stored.
func (r *readers) wantAll(w *ward) {
	w.Helper()
	require.Eventually(w, func() bool {
		updates, _ := r.hook.has()
		return len(updates) == len(w.stored("Task"))
	}, eventually, tick, "each version of each Task")
	if !r.delivers {
		return // all was told before anybody delivered
	}
	fault := ""
	if !w.eventually(eventually, func() bool { fault = w.mirrored(r.server); return fault == "" }) {
		w.Fatalf("not the same: %s", fault)
	}
}

// showTheSame waits until two replicas show the same Tasks: something may fall due between two
// looks.
func showTheSame(t *testing.T, one, other *ward) {
	t.Helper()
	require.Eventually(t, func() bool { return describe(one.tasks()) == describe(other.tasks()) }, eventually, tick)
}

// takeIn sends an event over the broker and waits for its plan.
func (w *ward) takeIn(c bedside.Case) {
	w.Helper()
	require.NoError(w, w.client.Send(w.Context(), c.Event()))
	require.Eventually(w, func() bool {
		found, err := w.client.Search(w.Context(), "Procedure?identifier="+c.Procedure())
		return err == nil && len(found) == 1
	}, eventually, tick)
	w.find(c)
}

// chartOf charts a finding now, by the day's clock.
func (w *ward) chartOf(code, value string) {
	w.Helper()
	w.entries++
	f := bedside.Finding{
		Code: code, At: time.Now(), By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure, Side: "right",
		ID: fmt.Sprintf("%s-%s-%d", w.process.http, w.patient, w.entries),
	}
	if f.Answer = value; code == "band-air-removed" || code == "band-air-added" {
		f.Answer, f.Amount = "", value
	}
	_, err := w.client.Create(w.Context(), "Observation", f.Observation())
	require.NoError(w, err)
}

// bleedAndStop charts a bleed, claims what is asked for then, puts air back, and finds it dry.
func (w *ward) bleedAndStop() {
	w.Helper()
	w.chartOf("access-site-bleeding", "bleeding")
	tasks := w.tasks()
	i := slices.IndexFunc(tasks, func(x bedside.Task) bool { return x.Code == "restore-compression" && x.Status == "ready" })
	require.GreaterOrEqual(w, i, 0, describe(tasks))
	claim := `[{"op":"replace","path":"/status","value":"in-progress"},{"op":"add","path":"/owner","value":{"display":"Invented nurse"}}]`
	versions := w.history("Task", tasks[i].ID)
	header := http.Header{"Content-Type": {"application/json-patch+json"}, "If-Match": {fmt.Sprintf(`W/"%d"`, len(versions))}}
	a, err := w.client.Do(w.Context(), http.MethodPatch, "/fhir/Task/"+tasks[i].ID, []byte(claim), header)
	require.NoError(w, err)
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	w.chartOf("band-air-added", "2")
	w.chartOf("access-site-bleeding", "haemostasis")
}

// growEverything does to each table what a step of the next release may do, a table at a time, and
// says that it serves the release before, or with 1 only its own.
func growEverything(t *testing.T, s site, ended int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the schema has grown
	const tables = `SELECT relname::text FROM pg_class WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')`
	rows, err := conn.Query(t.Context(), tables)
	require.NoError(t, err)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Greater(t, len(names), 15)
	for _, name := range names {
		table := pgx.Identifier{name}.Sanitize()
		for _, sql := range []string{
			`ALTER TABLE ` + table + ` ADD COLUMN next_note text, ADD COLUMN next_weight integer NOT NULL DEFAULT 1`,
			`CREATE INDEX CONCURRENTLY ON ` + table + ` (next_weight)`,
		} {
			_, err := conn.Exec(t.Context(), sql)
			require.NoError(t, err, sql)
		}
	}
	_, err = conn.Exec(t.Context(), `INSERT INTO schema_version (version, name, serves) SELECT max(version) + 1, 'next', max(version) + $1 FROM schema_version`, ended)
	require.NoError(t, err)
}
