package events

import (
	"crypto/sha256"
	"sync"
)

// bodies lets messages of different content run side by side and those of the same
// content one after the other, so that a repeat finds the first one committed.
type bodies struct {
	mu   *sync.Mutex
	held map[[sha256.Size]byte]*turn
}

type turn struct {
	mu    sync.Mutex
	users int
}

func newBodies() bodies {
	return bodies{mu: new(sync.Mutex), held: map[[sha256.Size]byte]*turn{}}
}

// lock waits for its turn at the content and returns the call that ends it.
func (b bodies) lock(body []byte) (unlock func()) {
	key := sha256.Sum256(body)
	b.mu.Lock()
	t := b.held[key]
	if t == nil {
		t = &turn{}
		b.held[key] = t
	}
	t.users++
	b.mu.Unlock()
	t.mu.Lock()
	return func() {
		t.mu.Unlock()
		b.mu.Lock()
		defer b.mu.Unlock()
		if t.users--; t.users == 0 {
			delete(b.held, key)
		}
	}
}

// faults counts how often a message made us fail. The count lives in this process: a
// restart or another replica begins anew, which costs further tries and loses nothing.
type faults struct {
	mu    *sync.Mutex
	count map[uint64]int
}

func newFaults() faults { return faults{mu: new(sync.Mutex), count: map[uint64]int{}} }

// add counts one failure and returns how many there were.
func (f faults) add(seq uint64) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.count) >= maxAckPending {
		clear(f.count) // what other replicas have settled since is never told to us
	}
	f.count[seq]++
	return f.count[seq]
}

// forget drops the count of a message that is settled.
func (f faults) forget(seq uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.count, seq)
}
