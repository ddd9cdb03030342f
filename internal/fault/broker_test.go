package fault

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"fhirsvc/internal/store"
)

// broker keeps what it is sent, in order, each message id once, as a stream does. It may
// keep a part of what it is sent and say so, or keep it and say nothing.
type broker struct {
	dice    *dice
	calm    *atomic.Bool
	planted planted

	mu   sync.Mutex
	kept []store.Outbox // every delivery, repeats too
}

// Publish is what the relay asks of a broker.
func (b *broker) Publish(ctx context.Context, messages []store.Outbox) (int, error) {
	take, said := len(messages), len(messages)
	if !b.calm.Load() {
		b.dice.nap(ctx, 30*time.Millisecond)
		switch b.dice.n(20) {
		case 0:
			take, said = 0, 0
		case 1:
			take = b.dice.n(len(messages) + 1)
			said = take
		case 2:
			said = b.dice.n(len(messages) + 1) // kept, and not acknowledged
		}
	}
	if b.planted.markBeforeSend && take < len(messages) {
		said = len(messages)
	}
	b.mu.Lock()
	b.kept = append(b.kept, messages[:take]...)
	b.mu.Unlock()
	if said < len(messages) {
		return said, away("publish")
	}
	return said, nil
}
