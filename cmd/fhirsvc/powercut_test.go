package main

import (
	"errors"
	"math/rand/v2"
	"testing"
	"time"
)

// The service is killed after every step of the story and started again on its data.
func TestStoryWithPowerCutsBetweenSteps(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		for _, s := range story() {
			s.do(w)
			w.powerCut()
			s.wantShown(t, w)
		}
		w.wantSound(1)
	})
}

// The service is killed within every step, at some instant. Whoever did not get an
// answer then does the same again, as a sender and a screen must.
func TestStoryWithPowerCutsWithinSteps(t *testing.T) {
	const longest = 60 * time.Millisecond // about the length of a step
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	onEach(t, func(t *testing.T, w *ward) {
		random := rand.New(rand.NewPCG(seed, 0))
		for _, s := range story() {
			entries := w.entries
			cut := time.AfterFunc(time.Duration(random.Int64N(int64(longest))), func() { _ = w.process.cmd.Process.Kill() })
			w.attempt(s.do)
			cut.Stop()
			w.powerCut()
			w.entries = entries // the same entries carry the same identifiers
			s.do(w)
			s.wantShown(t, w)
		}
		w.wantSound(1)
	})
}

// attempt does a step that may fail at any place.
func (w *ward) attempt(do func(w *ward)) {
	defer func() {
		if p := recover(); p != nil && p != any(errTorn) {
			panic(p)
		}
	}()
	torn := *w
	torn.TB = tolerant{w.TB}
	do(&torn)
}

var errTorn = errors.New("the service went away")

// tolerant takes a failure for what it is during a power cut: no answer.
type tolerant struct{ testing.TB }

func (tolerant) Errorf(string, ...any) {}
func (tolerant) FailNow()              { panic(errTorn) }
