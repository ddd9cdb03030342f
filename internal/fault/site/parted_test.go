package site

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fault/link"
)

// The fault is one only if the nodes have no other way to each other: a node that is parted
// from two others stores nothing, since a stream of three needs two
// (https://docs.nats.io/running-a-nats-service/configuration/clustering/jetstream_clustering).
func TestPartedBrokerStoresNothing(t *testing.T) {
	c, err := newCluster(t.TempDir(), false, false)
	require.NoError(t, err)
	t.Cleanup(c.close)
	conn, err := nats.Connect("nats://"+c[0].addr(), nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond))
	require.NoError(t, err)
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	require.NoError(t, err)
	within := func(limit time.Duration, do func(context.Context) error) error {
		ctx, cancel := context.WithTimeout(t.Context(), limit)
		defer cancel()
		return do(ctx)
	}
	publish := func(ctx context.Context) error { _, err := js.Publish(ctx, "parted", nil); return err }
	stored := func() bool { return within(time.Second, publish) == nil }
	require.NoError(t, eventually(30*time.Second, "the cluster makes a stream", func() bool {
		return within(3*time.Second, func(ctx context.Context) error {
			_, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "parted", Subjects: []string{"parted"}, Replicas: nodes})
			return err
		}) == nil
	}))
	require.NoError(t, eventually(30*time.Second, "it stores", stored))
	for _, manner := range []link.Manner{link.Cut, link.Swallowing} {
		c.part(0, manner)
		time.Sleep(200 * time.Millisecond) // what was under way
		for range 3 {
			require.Error(t, within(time.Second, publish), "manner %d", manner)
		}
		c.part(0, link.Passing)
		require.NoError(t, eventually(30*time.Second, "it stores again", stored))
	}
}
