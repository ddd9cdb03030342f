package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func installationTests() []contractTest {
	return []contractTest{
		{"installation/a setting is fixed once", fixOnce},
		{"installation/a protocol version never changes", fixProtocol},
		{"installation/quarantine", quarantine},
		{"installation/ping", ping},
	}
}

func fixOnce(t *testing.T, st store.Store) {
	for _, say := range []string{"https://a.example", "https://b.example", ""} {
		got, err := st.Fix(t.Context(), "canonical-base", say)
		require.NoError(t, err)
		require.Equal(t, "https://a.example", got)
	}
	got, err := st.Fix(t.Context(), "other", "x")
	require.NoError(t, err)
	require.Equal(t, "x", got)
}

func fixProtocol(t *testing.T, st store.Store) {
	const canonical = "https://site.example/protocol|2"
	require.NoError(t, st.FixProtocol(t.Context(), canonical, []byte(`{"a": 1}`)))
	require.NoError(t, st.FixProtocol(t.Context(), canonical, []byte(`{"a": 1}`)))
	requireKind(t, st.FixProtocol(t.Context(), canonical, []byte(`{"a":1}`)), outcome.CodeDuplicate)
	require.NoError(t, st.FixProtocol(t.Context(), "https://site.example/protocol|3", []byte(`{"a":1}`)))
	got, err := st.Protocol(t.Context(), canonical)
	require.NoError(t, err)
	require.Equal(t, `{"a": 1}`, string(got))
}

func quarantine(t *testing.T, st store.Store) {
	kept := func(id string) *store.Quarantine {
		return &store.Quarantine{ID: id, Episode: "e1", Kind: "observed", Body: []byte("input"), Fault: "could not render", At: at(3)}
	}
	mustCommit(t, st, store.Changeset{Inbox: inbox("m1"), Quarantine: kept("z")}, store.Changeset{})
	mustCommit(t, st, store.Changeset{Inbox: inbox("m2"), Quarantine: kept("a")})
	require.Equal(t, store.Duplicate, only(t, st, store.Changeset{Inbox: inbox("m2"), Quarantine: kept("b")}).Status)
	again := kept("a")
	again.Fault = "another"
	mustCommit(t, st, store.Changeset{Quarantine: again}) // the first under an id stays
	got, err := st.Quarantined(t.Context())
	require.NoError(t, err)
	require.Equal(t, []store.Quarantine{*kept("z"), *kept("a")}, got)
}

func ping(t *testing.T, st store.Store) {
	require.NoError(t, st.Ping(t.Context()))
}
