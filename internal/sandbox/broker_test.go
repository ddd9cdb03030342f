package sandbox

import (
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
)

func connect(t *testing.T, b *Broker) jetstream.JetStream {
	t.Helper()
	nc, err := nats.Connect(b.URL())
	require.NoError(t, err)
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	return js
}

func TestBrokerKeepsWhatItAcknowledged(t *testing.T) {
	dir := t.TempDir()
	b, err := StartBroker("127.0.0.1:0", dir)
	require.NoError(t, err)
	js := connect(t, b)
	_, err = js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "S", Subjects: []string{"s"}})
	require.NoError(t, err)
	_, err = js.Publish(t.Context(), "s", []byte("kept"))
	require.NoError(t, err)
	b.Close()

	b, err = StartBroker("127.0.0.1:0", dir)
	require.NoError(t, err)
	defer b.Close()
	s, err := connect(t, b).Stream(t.Context(), "S")
	require.NoError(t, err)
	m, err := s.GetMsg(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "kept", string(m.Data))
}

func TestBrokerRefusesAddress(t *testing.T) {
	for addr, fault := range map[string]string{
		"0.0.0.0:0":       "loopback",
		"example.org:0":   "loopback",
		"127.0.0.1":       "host:port",
		"127.0.0.1:70000": "port must be",
	} {
		t.Run(addr, func(t *testing.T) {
			_, err := StartBroker(addr, t.TempDir())
			require.ErrorContains(t, err, fault)
		})
	}
}
