package postgres_test

import (
	"fmt"
	"net"
	"net/url"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
	"fhirsvc/internal/store/storetest"
)

// turns stands between the store and the server and counts how often the client speaks after
// the server has: round trips, as the network sees them.
type turns struct {
	mu     sync.Mutex
	server bool // it spoke last
	n      int
}

func (w *turns) spoke(server bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.server && !server {
		w.n++
	}
	w.server = server
}

// take gives the number of turns since the last time.
func (w *turns) take() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := w.n
	w.n = 0
	return n
}

// pass copies what one side says until either ends.
func (w *turns) pass(to, from net.Conn, server bool) {
	defer to.Close() //nolint:errcheck // the other side is told by its end
	buf := make([]byte, 1<<20)
	for {
		n, err := from.Read(buf)
		if n > 0 {
			w.spoke(server)
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// counted opens a store with one connection, through a counter.
func counted(t *testing.T) (*postgres.Store, *turns) {
	t.Helper()
	target := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), target))
	u, err := url.Parse(target)
	require.NoError(t, err)
	listen, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w, server := &turns{}, u.Host
	var ends sync.WaitGroup
	ends.Go(func() {
		for {
			client, err := listen.Accept()
			if err != nil {
				return
			}
			behind, err := net.Dial("tcp", server)
			if err != nil {
				client.Close() //nolint:errcheck // the client sees it
				return
			}
			ends.Go(func() { w.pass(behind, client, false) })
			ends.Go(func() { w.pass(client, behind, true) })
		}
	})
	u.Host = listen.Addr().String()
	st, err := postgres.Open(t.Context(), u.String()+"&pool_max_conns=1")
	require.NoError(t, err)
	t.Cleanup(func() {
		st.Close()
		require.NoError(t, listen.Close())
		ends.Wait()
	})
	return st, w
}

// One round trip, whatever becomes of the changesets.
func TestCommitIsOneRoundTrip(t *testing.T) {
	st, w := counted(t)
	commit := func(changes ...store.Changeset) []store.Result {
		t.Helper()
		results, err := st.Commit(t.Context(), changes)
		require.NoError(t, err)
		return results
	}
	const warm = 3 // by then every statement is prepared
	for n := range int64(warm) {
		commit(storetest.Ordinary("a", n), storetest.Ordinary("b", n))
	}
	w.take()
	for n := range int64(10) {
		results := commit(storetest.Ordinary("a", warm+n), storetest.Ordinary("b", n)) // b's is known by now
		want := []store.Status{store.Committed, store.Duplicate}
		if n >= warm {
			want[1] = store.Committed
		}
		require.Equal(t, want, []store.Status{results[0].Status, results[1].Status}, fmt.Sprint(n))
		require.Equal(t, 1, w.take(), fmt.Sprint(n))
	}
}

// All that an input is about comes in one round trip, however much that is.
func TestGatherIsOneRoundTrip(t *testing.T) {
	st, w := counted(t)
	want := store.Wanted{
		Identities: []store.Identity{{Type: "Patient", System: "s", Value: "1"}, {Type: "Observation", System: "s", Value: "2"}},
		Resources:  []store.Name{{Type: "Task", ID: "t"}}, Episodes: []string{"e"}, Subjects: []string{"p", "q"},
	}
	for n := range 3 {
		w.take()
		_, err := st.Gather(t.Context(), want)
		require.NoError(t, err)
		if n > 0 { // by then every statement is prepared
			require.Equal(t, 1, w.take())
		}
	}
}
