package main

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fault/link"
	"fhirsvc/internal/sandbox"
)

// A gateway that has forgotten the connection to the broker tells nobody: the service finds
// it out by itself and comes back. Found by a fault run (seed 13, connections to brokers
// forgotten): both replicas were deaf and dumb for minutes.
func TestBrokerConnectionThatWasForgotten(t *testing.T) {
	t.Parallel()
	broker, err := sandbox.StartBroker("127.0.0.1:0", t.TempDir())
	require.NoError(t, err)
	t.Cleanup(broker.Close)
	l, err := link.New(strings.TrimPrefix(broker.URL(), "nats://"))
	require.NoError(t, err)
	t.Cleanup(l.Close)
	nc, err := dial("nats://"+l.Addr(), "", slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(nc.Close)

	require.NoError(t, nc.FlushTimeout(eventually))
	l.Lose()
	require.Error(t, nc.FlushTimeout(100*time.Millisecond))
	require.Eventually(t, func() bool { return nc.FlushTimeout(100*time.Millisecond) == nil }, eventually, tick)
}
