package main

import (
	"encoding/json"
	"net/http"
	"os"
	"os/user"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// purgeSite runs the command and gives what it says.
func purgeSite(t *testing.T, database string, args ...string) string {
	t.Helper()
	p := launch(t, []string{"FHIRSVC_DATABASE_URL=" + database}, append([]string{"purge"}, args...)...)
	<-p.ended
	require.NoError(t, p.err, "%s", p.stderr)
	return p.stdout.String()
}

// An episode that has ended is removed when it is old (the story's day is long ago), one that
// is open stays, and what is told of the removed one afterwards begins nothing.
func TestPurge(t *testing.T) {
	t.Parallel()
	db := database(t)
	w := &ward{TB: t, args: []string{"--data", t.TempDir(), "--database", db}}
	w.start("--now", "2025-03-04T10:00:00Z")
	for _, s := range story() {
		s.do(w)
	}
	ended := *w
	other := bedside.NewCase(901, "diagnostic", at("13:30"))
	w.send(other.Event())
	w.find(other)
	everythingTold(t, db)

	require.Contains(t, purgeSite(t, db, "--episodes", "100000"), "episodes would be removed: 0 (kept: 1 younger, 0 open, 0 still to be told)")
	require.Contains(t, purgeSite(t, db, "--episodes", "30"), "episodes would be removed: 1 ")
	require.Equal(t, http.StatusOK, w.status("/fhir/"+ended.plan))
	require.Contains(t, purgeSite(t, db, "--episodes", "30", "--really"), "episodes removed: 1 ")
	require.Equal(t, http.StatusNotFound, w.status("/fhir/"+ended.plan))
	require.Equal(t, http.StatusNotFound, w.status("/fhir/"+ended.procedure))
	require.Equal(t, http.StatusOK, w.status("/fhir/"+w.plan), "it is open")
	require.Empty(t, w.tasksOf(ended.patient))
	require.NotEmpty(t, w.tasksOf(w.patient))
	record := w.wantRemovalRecorded(ended)
	require.Equal(t, "https://hospital.example/unit|cath-lab-1", unitOf(t, db, record), "it is seen by whoever sees the unit")
	require.Equal(t, http.StatusOK, w.status("/fhir/"+ended.patient), "people stay")

	late := theCase()
	late.Version, late.Volume, late.Message = at("13:20"), "12", "4f5d1cb4-6a0b-4c33-9d0e-4f1c2d1a7e99"
	w.wantOutcome(w.processMessage(late.Event()), http.StatusGone, "deleted")
	w.send(late.Event())
	w.wantRejected("deleted", late.Message)
	require.Equal(t, http.StatusOK, w.processMessage(theCase().Event()).Status, "the same again gets its first answer")
	require.Equal(t, http.StatusNotFound, w.status("/fhir/"+ended.plan))

	require.Regexp(t, `told changes would be removed: 0`, purgeSite(t, db, "--outbox", "7"), "they were stored just now")
	require.Regexp(t, `entries of the inbox would be removed: [1-9]`, purgeSite(t, db, "--inbox", "30"))
	require.Len(t, w.removals(""), 1, "counting is recorded as little as what was not removed")
	require.Regexp(t, `entries of the inbox removed: [1-9]`, purgeSite(t, db, "--inbox", "30", "--really"))
	require.Len(t, w.removals(""), 2)
}

// auditEvent is a record as far as the tests ask. Source of the elements and codes: R4
// AuditEvent, hl7.org/fhir/R4/auditevent.html, and its value set object-lifecycle-events.
type auditEvent struct {
	ID       string
	Recorded time.Time
	Agent    []struct {
		Who struct {
			Identifier struct{ System, Value string }
		}
		Requestor bool
		Network   struct{ Address, Type string }
	}
	Entity []struct {
		What struct {
			Reference  string
			Type       string
			Identifier struct{ System, Value string }
		}
		Lifecycle struct{ Code string }
		Query     []byte
		Detail    []struct{ Type, ValueString string }
	}
}

// removals finds the records of what was removed for good.
func (w *ward) removals(query string) []auditEvent {
	w.Helper()
	found, err := w.client.Search(w.Context(), "AuditEvent?action=D&subtype=http://hl7.org/fhir/restful-interaction|delete"+query)
	require.NoError(w, err)
	all := make([]auditEvent, len(found))
	for i, body := range found {
		require.NoError(w, json.Unmarshal(body, &all[i]))
	}
	return all
}

// wantRemovalRecorded holds the record of an episode's removal to who, when, which, by what rule
// and how much, and gives its id.
func (w *ward) wantRemovalRecorded(of ward) string {
	w.Helper()
	records := w.removals("&patient=" + of.patient + "&entity=" + of.plan + "&entity=" + of.procedure)
	require.Len(w, records, 1)
	r := records[0]
	require.WithinDuration(w, time.Now(), r.Recorded, time.Minute)
	require.Equal(w, "fhirsvc purge", r.Agent[0].Who.Identifier.Value)
	host, err := os.Hostname()
	require.NoError(w, err)
	require.Equal(w, host, r.Agent[0].Network.Address)
	me, err := user.Current()
	require.NoError(w, err)
	require.Equal(w, me.Username, r.Agent[2].Who.Identifier.Value)
	require.True(w, r.Agent[2].Requestor)
	removed, rule, unit := map[string]string{}, "", ""
	for _, e := range r.Entity {
		if e.What.Type == "Location" {
			unit = e.What.Identifier.Value
		}
		rule += string(e.Query)
		for _, d := range e.Detail {
			require.Equal(w, "15", e.Lifecycle.Code, "permanent erasure")
			require.Equal(w, "https://fhirsvc.example/fhir/NamingSystem/episode", e.What.Identifier.System)
			removed[d.Type] = d.ValueString
		}
	}
	require.Equal(w, "cath-lab-1", unit)
	require.Contains(w, rule, "purge --episodes 30: nothing was stored since 20")
	require.Equal(w, "1", removed["CarePlan"])
	require.Equal(w, "1", removed["Procedure"])
	for _, kind := range []string{"Task", "Observation", "Provenance"} {
		n, err := strconv.Atoi(removed[kind])
		require.NoError(w, err, kind)
		require.Greater(w, n, 3, kind)
	}
	return r.ID
}

// unitOf gives the unit by which a record is seen.
func unitOf(t *testing.T, database, id string) (unit string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // it has told
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT unit FROM resource WHERE type = 'AuditEvent' AND id = $1`, id).Scan(&unit))
	return unit
}

// everythingTold waits until nothing waits for the relay or the matcher.
func everythingTold(t *testing.T, database string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // it has told
	require.Eventually(t, func() bool {
		var waiting int
		err := conn.QueryRow(t.Context(), `SELECT count(*) FROM outbox WHERE sent_at IS NULL OR matched_at IS NULL`).Scan(&waiting)
		return err == nil && waiting == 0
	}, eventually, tick)
}

func (w *ward) status(path string) int {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, path, nil, nil)
	require.NoError(w, err)
	return a.Status
}

func (w *ward) tasksOf(patient string) []bedside.Task {
	w.Helper()
	tasks, err := w.client.Tasks(w.Context(), patient)
	require.NoError(w, err)
	return tasks
}

func TestPurgeWantsARule(t *testing.T) {
	for args, want := range map[string]string{
		"":                                "give an age for something",
		"--episodes 29 --inbox 1":         "--episodes wants 30 days or more",
		"--outbox 6":                      "--outbox wants 7 days or more",
		"--audit 29 --episodes 30":        "--audit wants 30 days or more",
		"--audit 365 --episodes 365 more": "unexpected argument",
	} {
		p := launch(t, nil, append([]string{"purge"}, strings.Fields(args)...)...)
		<-p.ended
		require.Equal(t, exitUsage, p.cmd.ProcessState.ExitCode(), args)
		require.Contains(t, p.stderr.String(), want, args)
	}
}
