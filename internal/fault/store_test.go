package fault

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// dice are what everything random of a ward is drawn from.
type dice struct {
	mu  sync.Mutex
	rng *rand.Rand
}

func newDice(seed uint64) *dice { return &dice{rng: rand.New(rand.NewPCG(seed, 0x66686972))} }

// one is true once in so many.
func (d *dice) one(in int) bool { return d.n(in) == 0 }

func (d *dice) n(n int) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.rng.IntN(n)
}

// nap waits up to d.
func (d *dice) nap(ctx context.Context, most time.Duration) {
	t := time.NewTimer(time.Duration(d.n(int(most))) + 1)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

var errAway = errors.New("the store is away")

func away(op string) error { return &outcome.Error{Kind: outcome.CodeNoStore, Op: op, Err: errAway} }

// planted are bugs put in on purpose, to see that the checker finds them.
type planted struct {
	ackBeforeCommit     bool // a commit that failed is reported as done
	markBeforeSend      bool // rows are marked as sent and never are
	anyOrder            bool // rows of a partition are sent in any order
	claimsForgotten     bool // a due time that was claimed comes back never
	identitiesForgotten bool // nobody holds a business identifier
	leasesEnd           bool // no lease lasts until its work is done
}

// link is one replica's way to the store: calls may be late, fail before the work or after
// it, and all fail once the replica is dead.
type link struct {
	store.Store
	dice    *dice
	calm    *atomic.Bool // no more faults
	dead    atomic.Bool
	planted planted
}

// trouble waits a little and, now and then, fails.
func (l *link) trouble(ctx context.Context, op string) error {
	if l.dead.Load() {
		return away(op)
	}
	if l.calm.Load() {
		return nil
	}
	l.dice.nap(ctx, 40*time.Millisecond)
	if l.dice.one(40) || ctx.Err() != nil || l.dead.Load() {
		return away(op)
	}
	return nil
}

func (l *link) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	if err := l.trouble(ctx, "commit"); err != nil {
		if l.planted.ackBeforeCommit && !l.dead.Load() {
			return committed(changes), nil
		}
		return nil, err
	}
	if l.planted.identitiesForgotten {
		for i := range changes {
			changes[i].Identities = nil
		}
	}
	results, err := l.Store.Commit(ctx, changes)
	if err == nil && !l.calm.Load() && l.dice.one(15) {
		return nil, away("commit") // it is done, and nobody hears of it
	}
	if l.dead.Load() {
		return nil, away("commit")
	}
	return results, err
}

func committed(changes []store.Changeset) []store.Result {
	results := make([]store.Result, len(changes))
	for i := range results {
		results[i].Status = store.Committed
	}
	return results
}

func (l *link) Answer(ctx context.Context, source, id string) (store.Inbox, bool, error) {
	if err := l.trouble(ctx, "answer"); err != nil {
		return store.Inbox{}, false, err
	}
	return l.Store.Answer(ctx, source, id)
}

func (l *link) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	if err := l.trouble(ctx, "gather"); err != nil {
		return store.Gathered{}, err
	}
	return l.Store.Gather(ctx, w)
}

func (l *link) Load(ctx context.Context, id string) (store.Episode, error) {
	if err := l.trouble(ctx, "load"); err != nil {
		return store.Episode{}, err
	}
	return l.Store.Load(ctx, id)
}

func (l *link) Read(ctx context.Context, kind, id string) (store.Resource, error) {
	if err := l.trouble(ctx, "read"); err != nil {
		return store.Resource{}, err
	}
	return l.Store.Read(ctx, kind, id)
}

func (l *link) Identity(ctx context.Context, kind, system, value string) (string, bool, error) {
	if err := l.trouble(ctx, "identity"); err != nil {
		return "", false, err
	}
	return l.Store.Identity(ctx, kind, system, value)
}

func (l *link) ClaimDue(ctx context.Context, c store.Claim) ([]store.Due, error) {
	if err := l.trouble(ctx, "claim due"); err != nil {
		return nil, err
	}
	if l.planted.claimsForgotten {
		c.Lease = 100 * time.Hour
	}
	if l.planted.leasesEnd {
		c.Lease = 20 * time.Millisecond
	}
	due, err := l.Store.ClaimDue(ctx, c)
	if err == nil && !l.calm.Load() && l.dice.one(8) {
		return nil, away("claim due") // claimed, and nobody hears of it
	}
	return due, err
}

func (l *link) LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]store.Lease, error) {
	if err := l.trouble(ctx, "lease outbox"); err != nil {
		return nil, err
	}
	if l.planted.leasesEnd {
		lease = 20 * time.Millisecond
	}
	return l.Store.LeaseOutbox(ctx, holder, limit, lease)
}

func (l *link) Unsent(ctx context.Context, at []store.Lease, limit int) ([]store.OutboxRow, error) {
	if err := l.trouble(ctx, "unsent"); err != nil {
		return nil, err
	}
	rows, err := l.Store.Unsent(ctx, at, limit)
	if l.planted.anyOrder {
		slices.Reverse(rows)
	}
	return rows, err
}

func (l *link) MarkSent(ctx context.Context, at []store.Lease, seqs []int64) error {
	if err := l.trouble(ctx, "mark sent"); err != nil {
		return err
	}
	err := l.Store.MarkSent(ctx, at, seqs)
	if err == nil && !l.calm.Load() && l.dice.one(15) {
		return away("mark sent")
	}
	return err
}

func (l *link) ReleaseOutbox(ctx context.Context, at []store.Lease) error {
	if err := l.trouble(ctx, "release outbox"); err != nil {
		return err
	}
	return l.Store.ReleaseOutbox(ctx, at)
}
