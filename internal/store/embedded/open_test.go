package embedded_test

import (
	"database/sql"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
)

func TestOpenRefusesSecondProcess(t *testing.T) {
	dir := t.TempDir()
	st, err := embedded.Open(dir)
	require.NoError(t, err)
	_, err = embedded.Open(dir)
	require.ErrorContains(t, err, dir+" is in use by another process")
	st.Close()
	mustOpen(t, dir)
}

func TestOpenFindsWhatWasStored(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "made", "by", "open")
	st, err := embedded.Open(dir)
	require.NoError(t, err)
	got, err := st.Fix(t.Context(), "name", "value")
	require.NoError(t, err)
	require.Equal(t, "value", got)
	st.Close()

	again := mustOpen(t, dir)
	got, err = again.Fix(t.Context(), "name", "another")
	require.NoError(t, err)
	require.Equal(t, "value", got)
}

func TestOpenTakesFolderNamesAsTheyAre(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, dir := range []string{"relative", "with space", "with%20escape", "with?question&mark", "with#hash", "wîth-ümlaut", "a:b"} {
		st, err := embedded.Open(dir)
		require.NoError(t, err, dir)
		st.Close()
		require.FileExists(t, filepath.Join(dir, "store.db"))
	}
}

func TestOpenRefusesNewerSchema(t *testing.T) {
	dir := t.TempDir()
	st, err := embedded.Open(dir)
	require.NoError(t, err)
	st.Close()
	db, err := sql.Open("sqlite", filepath.Join(dir, "store.db"))
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), `INSERT INTO schema_version (version, name, at) VALUES (999, 'later', 0)`)
	require.NoError(t, err)
	require.NoError(t, db.Close())

	_, err = embedded.Open(dir)
	require.ErrorContains(t, err, "the schema has version 999, this release knows")
	_, err = embedded.Open(dir)
	require.ErrorContains(t, err, "version 999", "a failed open gives the lock back")
}

func TestClosedStoreIsAway(t *testing.T) {
	st, err := embedded.Open(t.TempDir())
	require.NoError(t, err)
	st.Close()
	require.ErrorContains(t, st.Ping(t.Context()), "no-store")
	_, err = st.Commit(t.Context(), []store.Changeset{{}})
	require.ErrorContains(t, err, "no-store")
}
