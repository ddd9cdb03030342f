package embedded

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestWriterSyncsEveryCommit: in WAL mode only synchronous=FULL (2) keeps a commit over
// a power cut, https://www.sqlite.org/pragma.html#pragma_synchronous.
func TestWriterSyncsEveryCommit(t *testing.T) {
	st, err := Open(t.TempDir())
	require.NoError(t, err)
	defer st.Close()
	var synchronous int
	require.NoError(t, st.write.QueryRowContext(t.Context(), `PRAGMA synchronous`).Scan(&synchronous))
	require.Equal(t, 2, synchronous)
	var journal string
	require.NoError(t, st.write.QueryRowContext(t.Context(), `PRAGMA journal_mode`).Scan(&journal))
	require.Equal(t, "wal", journal)
	_, err = st.read.ExecContext(t.Context(), `DELETE FROM episode`)
	require.ErrorContains(t, err, "readonly", "readers can't write")
}
