package events

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

// What deploy/nats tells the NATS project's chart to put into the server's configuration is
// read by the real server as what the service rests on: every write synced, and a cluster large
// enough for three replicas of a stream.
func TestBrokerValues(t *testing.T) {
	body, err := os.ReadFile("../../deploy/nats/values.yaml")
	require.NoError(t, err)
	var values struct {
		Config struct {
			Cluster struct {
				Enabled  bool
				Replicas int
			}
			JetStream struct {
				Enabled bool
				Merge   map[string]any
			} `yaml:"jetstream"`
		}
	}
	require.NoError(t, yaml.Unmarshal(body, &values))
	merged, err := json.Marshal(values.Config.JetStream.Merge)
	require.NoError(t, err)
	var o server.Options
	require.NoError(t, o.ProcessConfigString(`{"jetstream": `+string(merged)+`}`))
	require.True(t, values.Config.JetStream.Enabled)
	require.True(t, o.SyncAlways)
	require.True(t, values.Config.Cluster.Enabled)
	require.Equal(t, 3, values.Config.Cluster.Replicas)
}
