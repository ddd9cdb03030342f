package main

import (
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// postgresTool finds a program of PostgreSQL: on the PATH, else the newest of Debian's.
func postgresTool(t testing.TB, name string) string {
	t.Helper()
	if found, err := filepath.Glob("/usr/lib/postgresql/*/bin/" + name); err == nil && len(found) > 0 {
		return found[len(found)-1]
	}
	found, err := exec.LookPath(name)
	require.NoError(t, err, "%s comes with PostgreSQL's server or client package", name)
	return found
}

func tool(t *testing.T, name string, args ...string) {
	t.Helper()
	out, err := exec.Command(postgresTool(t, name), args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", name, out)
}

// chartNow charts something now and gives its identifier.
func (w *ward) chartNow(id string) {
	w.Helper()
	f := bedside.Finding{
		Code: "hand-check", Answer: "normal", At: time.Now(), By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure, Side: "right", ID: id,
	}
	_, err := w.client.Create(w.Context(), "Observation", f.Observation())
	require.NoError(w, err)
}

func (w *ward) entry(id string) []json.RawMessage {
	w.Helper()
	found, err := w.client.Search(w.Context(), "Observation?identifier=https://screen.hospital.example/entry|"+id)
	require.NoError(w, err)
	return found
}

// told waits until everything was told and gives the versions of each resource in the order
// in which they were told.
func (w *ward) told(s site) map[string][]int64 {
	w.Helper()
	conn, err := pgx.Connect(w.Context(), s.database)
	require.NoError(w, err)
	defer conn.Close(w.Context()) //nolint:errcheck // it has told
	require.Eventually(w, func() bool {
		var waiting int
		err := conn.QueryRow(w.Context(), `SELECT count(*) FROM outbox WHERE sent_at IS NULL`).Scan(&waiting)
		return err == nil && waiting == 0
	}, eventually, tick)
	all := map[string][]int64{}
	for _, m := range w.stream("FHIRSVC_CHANGES") {
		var c change
		require.NoError(w, json.Unmarshal(m, &c))
		n, err := strconv.ParseInt(c.VersionID, 10, 64)
		require.NoError(w, err)
		all[c.Type+"/"+c.ID] = append(all[c.Type+"/"+c.ID], n)
	}
	return all
}

// A dump is taken while the service runs.
func TestRestoreFromADump(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	dump := filepath.Join(t.TempDir(), "dump")
	testRestore(t, s, func() { tool(t, "pg_dump", "--format=custom", "--file="+dump, s.database) }, func() string {
		empty := database(t)
		tool(t, "pg_restore", "--no-owner", "--dbname="+empty, dump)
		return empty
	})
}

// A base backup was taken before any work, and the log is archived: the database comes back as
// it was at a point in time (https://www.postgresql.org/docs/current/continuous-archiving.html).
func TestRestoreToAPointInTime(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	c := newCluster(t)
	s.database = c.url("ward")
	s.migrate(t)
	c.do("pg_basebackup", "--pgdata="+c.data("second"), "--dbname="+c.url("postgres"), "--checkpoint=fast")
	testRestore(t, s, func() { c.ask("ward", `SELECT pg_create_restore_point('before the accident')::text`) }, func() string {
		c.archive()
		c.stop("first")
		c.recover("second", "before the accident")
		return s.database
	})
}

// testRestore takes a backup, lets the wards go on, loses the database and restores it. What
// came with events comes back, no version is used twice, and what was charted over REST is
// listed.
func testRestore(t *testing.T, s site, backup func(), restore func() string) {
	t.Helper()
	w := s.serve(t)
	before := bedside.NewCase(800, "diagnostic", time.Now().Add(-time.Minute))
	plans := w.sendUntilSettled(s, before)
	w.find(before)
	w.chartNow("kept")
	backup()

	w.chartNow("lost")
	late := bedside.NewCase(801, "diagnostic", time.Now().Add(-time.Minute))
	require.NoError(t, w.client.Send(t.Context(), late.Event()))
	require.Eventually(t, func() bool { return len(w.ids("CarePlan")) == plans+1 }, eventually, tick)
	w.find(late)
	w.chartNow("lost with its plan")
	byHTTP := bedside.NewCase(802, "diagnostic", time.Now().Add(-time.Minute))
	require.Equal(t, http.StatusOK, w.processMessage(byHTTP.Event()).Status)
	told := w.told(s)
	p := launch(t, s.env(), "restored")
	<-p.ended
	require.Error(t, p.err)
	require.Contains(t, p.stderr.String(), "a replica asks for events: stop all of them first")
	w.process.kill()

	s.database = restore()
	list := restoredList(t, s, "--list")
	listed := wantListed(t, s, told, list)
	require.NotContains(t, list, "told again", "a list changes nothing")
	changes := filepath.Join(t.TempDir(), "changes")
	require.Equal(t, list, strings.Split(restoredList(t, s, "--changes", changes), "told again")[0])
	require.Regexp(t, `^events: the database has all up to [1-9]`, list)
	lines, err := os.ReadFile(changes)
	require.NoError(t, err)
	require.Equal(t, strings.Count(list, "\n")-4, strings.Count(string(lines), "\n"), list)

	next := s.serve(t)
	require.Eventually(t, func() bool { return len(next.ids("CarePlan")) == plans+1 }, eventually, tick, "the event comes again")
	next.find(late)
	require.Len(t, next.entry("kept"), 1)
	require.Empty(t, next.entry("lost"))
	next.chartNow("lost with its plan")
	require.Equal(t, http.StatusOK, next.processMessage(byHTTP.Event()).Status, "its sender sends it again")
	next.find(before)
	next.chartNow("lost")
	again := next.told(s)
	wantRising(t, again)
	for ref := range told {
		if listed[ref] {
			require.Greater(t, len(again[ref]), len(told[ref]), "%s is as readers don't know it, and they were not told", ref)
		}
		if !strings.HasPrefix(ref, "Provenance/") {
			next.wantCurrent(ref, again[ref])
		}
	}
	next.process.stop(t)
}

// sendUntilSettled sends the case's event, and further ones until one was stored with the
// position of an earlier one; it gives the number of plans.
func (w *ward) sendUntilSettled(s site, c bedside.Case) (plans int) {
	w.Helper()
	conn, err := pgx.Connect(w.Context(), s.database)
	require.NoError(w, err)
	defer conn.Close(w.Context()) //nolint:errcheck // it has told
	require.Eventually(w, func() bool {
		require.NoError(w, w.client.Send(w.Context(), c.Event()))
		plans++
		require.Eventually(w, func() bool { return len(w.ids("CarePlan")) == plans }, eventually, tick)
		c = bedside.NewCase(c.Number+100, "diagnostic", c.Started)
		var settled int64
		err := conn.QueryRow(w.Context(), `SELECT coalesce(max(settled), 0) FROM inbox`).Scan(&settled)
		return err == nil && settled > 0
	}, eventually, 300*time.Millisecond)
	return plans
}

// restoredList runs the step and gives what it says.
func restoredList(t *testing.T, s site, args ...string) string {
	t.Helper()
	p := launch(t, s.env(), append([]string{"restored"}, args...)...)
	<-p.ended
	require.NoError(t, p.err, "%s", p.stderr)
	return p.stdout.String()
}

// wantListed compares the list with what was told and is not in the restored database in
// that version.
func wantListed(t *testing.T, s site, told map[string][]int64, list string) (listed map[string]bool) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // it has told
	var want, got []string
	listed = map[string]bool{}
	for ref, versions := range told {
		kind, id, _ := strings.Cut(ref, "/")
		stored := "-"
		err := conn.QueryRow(t.Context(), `SELECT version::text FROM resource WHERE type = $1 AND id = $2`, kind, id).Scan(&stored)
		require.True(t, err == nil || errors.Is(err, pgx.ErrNoRows), err)
		if last := strconv.FormatInt(versions[len(versions)-1], 10); last != stored && kind != "Provenance" {
			want = append(want, ref+" "+last+" "+stored)
		}
	}
	_, table, _ := strings.Cut(list, "RESOURCE")
	for line := range strings.Lines(table) {
		if f := strings.Fields(line); strings.Contains(f[0], "/") {
			got = append(got, strings.Join(f[:3], " "))
			listed[f[0]] = true
		}
	}
	require.ElementsMatch(t, want, got)
	require.NotEmpty(t, got)
	return listed
}

// wantRising: no version of a resource is told twice or after a higher one.
func wantRising(t *testing.T, told map[string][]int64) {
	t.Helper()
	for ref, versions := range told {
		require.True(t, slices.IsSorted(versions), "%s: %v", ref, versions)
		require.Len(t, slices.Compact(slices.Clone(versions)), len(versions), "%s: %v", ref, versions)
	}
}

// wantCurrent: what readers were told of last is what is stored.
func (w *ward) wantCurrent(ref string, told []int64) {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/"+ref, nil, nil)
	require.NoError(w, err)
	require.Equal(w, http.StatusOK, a.Status, "%s: %s", ref, a.Body)
	require.Equal(w, `W/"`+strconv.FormatInt(told[len(told)-1], 10)+`"`, a.Header.Get("ETag"), ref)
}
