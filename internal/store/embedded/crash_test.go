package embedded_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
)

// crashDir names the folder in which the test binary, run again as a child, commits
// until it is killed.
const crashDir = "FHIRSVC_TEST_CRASH_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashDir); dir != "" {
		fmt.Fprintln(os.Stderr, commitForEver(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// commitForEver goes on from where the episode stands and prints each version after
// its commit was answered.
func commitForEver(dir string) error {
	st, err := embedded.Open(dir)
	if err != nil {
		return err
	}
	ids, err := st.EpisodesOf(context.Background(), "p1")
	if err != nil {
		return err
	}
	version := int64(0)
	if len(ids) > 0 {
		e, err := st.Load(context.Background(), "e1")
		if err != nil {
			return err
		}
		version = e.Version
	}
	for ; ; version++ {
		results, err := st.Commit(context.Background(), []store.Changeset{crashChange(version)})
		if err != nil || results[0].Status != store.Committed {
			return fmt.Errorf("version %d: %v, %w", version, results, err)
		}
		fmt.Println(version + 1)
	}
}

func crashChange(version int64) store.Changeset {
	key := strconv.FormatInt(version+1, 10)
	return store.Changeset{
		Inbox:     &store.Inbox{Source: "s", ID: key, Digest: key},
		Episodes:  []store.EpisodeChange{{ID: "e1", Subject: "p1", Expected: version, State: []byte(key), Input: store.Input{Seq: version + 1}}},
		Resources: []store.Resource{{Type: "CarePlan", ID: "c1", Version: version + 1, Body: make([]byte, 3000)}},
		Outbox:    []store.Outbox{{Episode: "e1", MessageID: key}},
	}
}

// TestKilledProcessLosesNothingAcknowledged kills a committing process without warning,
// several times over the same folder.
func TestKilledProcessLosesNothingAcknowledged(t *testing.T) {
	dir := t.TempDir()
	for round := range 5 {
		acknowledged := killAfter(t, dir, 20+round*13)
		st, err := embedded.Open(dir)
		require.NoError(t, err)
		e, err := st.Load(t.Context(), "e1")
		require.NoError(t, err)
		require.GreaterOrEqual(t, e.Version, acknowledged)
		require.Equal(t, strconv.FormatInt(e.Version, 10), string(e.State))
		inputs, err := st.Inputs(t.Context(), "e1")
		require.NoError(t, err)
		require.Len(t, inputs, int(e.Version))
		history, err := st.History(t.Context(), "CarePlan", "c1")
		require.NoError(t, err)
		require.Len(t, history, int(e.Version))
		unsent, err := st.Unsettled(t.Context())
		require.NoError(t, err)
		require.Equal(t, int(e.Version), unsent)
		_, known, err := st.Answer(t.Context(), "s", strconv.FormatInt(e.Version+1, 10))
		require.NoError(t, err)
		require.False(t, known, "no inbox entry without its step")
		st.Close()
	}
}

// killAfter starts a child, waits for some acknowledged commits, kills it and gives the
// last version that it acknowledged.
func killAfter(t *testing.T, dir string, commits int) (acknowledged int64) {
	t.Helper()
	child := exec.CommandContext(t.Context(), os.Args[0])
	child.Env = append(os.Environ(), crashDir+"="+dir)
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); n++ {
		acknowledged, err = strconv.ParseInt(lines.Text(), 10, 64)
		require.NoError(t, err)
		if n == commits {
			require.NoError(t, child.Process.Kill())
		}
	}
	require.Error(t, child.Wait(), "the child only ends by being killed")
	require.Positive(t, acknowledged)
	return acknowledged
}
