package episode

import (
	"encoding/json"
	"maps"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// Releases up to 2026-11 wrote down what is zero. What they wrote is read as it was meant,
// and written anew without it.
func TestStateWithZerosIsReadAsItWasMeant(t *testing.T) {
	t.Parallel()
	old, err := os.ReadFile("testdata/state-with-zeros.json")
	require.NoError(t, err)
	before, err := decodeState(old)
	require.NoError(t, err)
	require.Len(t, before.core.Findings, 8)

	now, err := (&loaded{core: before.core, state: before.state}).encode()
	require.NoError(t, err)
	require.NotContains(t, string(now), "null")
	require.NotContains(t, string(now), "0001-01-01")
	require.NotContains(t, string(now), `""`)
	require.Equal(t, told(t, old), told(t, now))
	after, err := decodeState(now)
	require.NoError(t, err)
	after.bytes = before.bytes
	require.Equal(t, before, after)
}

// told gives what a text of JSON says, without what is zero.
func told(t *testing.T, text []byte) any {
	t.Helper()
	var said any
	require.NoError(t, json.Unmarshal(text, &said))
	return withoutZeros(said)
}

func withoutZeros(said any) any {
	switch v := said.(type) {
	case map[string]any:
		for name, member := range v {
			v[name] = withoutZeros(member)
		}
		maps.DeleteFunc(v, func(_ string, member any) bool { return member == nil })
		if len(v) == 0 {
			return nil
		}
	case []any:
		for i := range v {
			v[i] = withoutZeros(v[i])
		}
	case string:
		if v == "" || v == "0001-01-01T00:00:00Z" {
			return nil
		}
	case float64:
		if v == 0 {
			return nil
		}
	case bool:
		if !v {
			return nil
		}
	}
	return said
}
