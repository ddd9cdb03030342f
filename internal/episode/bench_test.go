package episode

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/store/embedded"
)

// BenchmarkPath takes one event and four findings through the whole path, on the
// embedded store, which syncs every commit.
func BenchmarkPath(b *testing.B) {
	st, err := embedded.Open(b.TempDir())
	require.NoError(b, err)
	defer st.Close()
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	at := sheathOut().Add(10 * time.Minute)
	release, err := NewRelease(protocols, nil, true)
	require.NoError(b, err)
	s, err := New(b.Context(), Options{
		Store: st, Incoming: sharedIncoming(), Outgoing: sharedOutgoing(), Log: slog.New(slog.DiscardHandler), Release: release,
		Endpoint: "https://fhirsvc.example/fhir", Clock: func() time.Time { return at },
	})
	require.NoError(b, err)
	for i := range b.N {
		e := newEvent()
		e.message, e.procedure, e.patient = fmt.Sprintf("m%d", i), fmt.Sprintf("P-%d", i), fmt.Sprintf("p%d", i)
		_, err := s.Message(b.Context(), Message{Body: e.body(), Door: DoorHTTP, By: nurse()})
		require.NoError(b, err)
		for n := range 4 {
			f := finding{code: "band-air-removed", value: millilitres("1"), at: at.Add(-time.Duration(n) * time.Minute), patient: e.patient}
			_, err := s.Chart(b.Context(), nurse(), []Entry{{Method: "POST", Type: "Observation", Body: f.body()}})
			require.NoError(b, err)
		}
	}
}
