package embedded_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
	"fhirsvc/internal/store/storetest"
)

func TestContract(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store { return mustOpen(t, t.TempDir()) })
}

func mustOpen(t testing.TB, dir string) *embedded.Store {
	t.Helper()
	st, err := embedded.Open(dir)
	require.NoError(t, err)
	t.Cleanup(st.Close)
	return st
}
