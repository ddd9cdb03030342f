package episode

import (
	"bytes"
	"encoding/json"
	"maps"

	lru "github.com/hashicorp/golang-lru/v2"

	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// mostRecent is how many episodes are kept decoded, some 100 kB each at their end.
const mostRecent = 256

// recent are the states of episodes that this replica read or stored last, decoded. It knows
// nothing that the store does not: what is kept is taken only for the very bytes that it was
// decoded from or encoded to. It is safe for concurrent use.
type recent struct{ states *lru.Cache[string, kept] }

// kept is a state with its bytes. Nobody changes what it holds: a step copies the core, and
// the rest is copied when it is taken.
type kept struct {
	bytes []byte
	core  workflow.Episode
	state state // without Core
}

func newRecent() recent {
	states, err := lru.New[string, kept](mostRecent)
	if err != nil {
		panic(err) // of a size below one
	}
	return recent{states}
}

func (r recent) get(stored store.Episode) (kept, bool) {
	k, ok := r.states.Get(stored.ID)
	return k, ok && bytes.Equal(k.bytes, stored.State)
}

func (r recent) put(id string, k kept) { r.states.Add(id, k) }

// decodeState reads what encode wrote.
func decodeState(b []byte) (kept, error) {
	k := kept{bytes: b}
	if err := json.Unmarshal(b, &k.state); err != nil {
		return k, err
	}
	k.core, k.state.Core = workflow.Episode(k.state.Core), coreState{}
	return k, nil
}

// clone copies what the service changes.
func (s state) clone() state {
	s.Known, s.Names = maps.Clone(s.Known), maps.Clone(s.Names)
	return s
}
