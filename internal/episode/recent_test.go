package episode

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

// What is kept is taken for the very bytes that are stored, and for no others.
func TestRecentGoesByTheBytes(t *testing.T) {
	t.Parallel()
	r := newRecent()
	r.put("e", kept{bytes: []byte(`{"core":1}`)})
	_, known := r.get(store.Episode{ID: "e", Version: 7, State: []byte(`{"core":1}`)})
	require.True(t, known)
	_, known = r.get(store.Episode{ID: "e", Version: 7, State: []byte(`{"core":2}`)})
	require.False(t, known, "another replica has stored something, or the database was restored")
}

// Many inputs begin from one state that is kept: none of them may change it, whether it comes
// through or is refused.
func TestRecentStaysAsItWasStored(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	for range 3 {
		b.mustObserve("access-site-bleeding", dry())
		b.wait(20 * time.Minute)
		stored, err := b.Store.Load(t.Context(), b.theEpisode())
		require.NoError(t, err)
		k, known := b.recent.get(stored)
		require.True(t, known, "what was stored last is kept")
		b.mustObserve("band-air-removed", millilitres("1"))
		_, _ = b.observe(finding{code: "band-air-removed", value: millilitres("500"), at: b.Now()})
		b.wait(30 * time.Minute)
		again := k.state
		again.Core = withoutProtocol(k.core)
		now, err := json.Marshal(&again)
		require.NoError(t, err)
		require.JSONEq(t, string(stored.State), string(now))
		require.Equal(t, stored.State, now)
	}
	b.mustReplay(b.theEpisode())
}
