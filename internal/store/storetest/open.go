package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
)

// Open gives an empty store to a test of something else: the embedded one, and with -short the one
// in memory. SQLite, translated from C, takes ten times as long under the race detector.
func Open(t testing.TB) store.Store {
	t.Helper()
	if testing.Short() {
		return NewMemory()
	}
	st, err := embedded.Open(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(st.Close)
	return st
}
