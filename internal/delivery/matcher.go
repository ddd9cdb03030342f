package delivery

import (
	"context"
	"log/slog"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Changes are what was committed and not yet held against the Subscriptions.
type Changes interface {
	MatchOutbox(ctx context.Context, limit int, match store.Matcher) (int, error)
}

// Matcher queues for each Subscription the changes that it is to be told of. Any number of
// them may work on one store.
type Matcher struct {
	changes Changes
	match   store.Matcher
	queued  func() // something may have been queued
	log     *slog.Logger
	idle    time.Duration
	wake    chan struct{}
}

// NewMatcher returns a matcher that does nothing until Run. Queued is called after changes
// were matched; it must not block.
func NewMatcher(changes Changes, match store.Matcher, queued func(), log *slog.Logger) *Matcher {
	return &Matcher{changes: changes, match: match, queued: queued, log: log, idle: time.Second, wake: make(chan struct{}, 1)}
}

// Wake tells the matcher that there are new changes. It never blocks.
func (m *Matcher) Wake() { nudge(m.wake) }

// Run matches until ctx ends. It looks at once after Wake, seldom while there is nothing,
// and ever more seldom while the store is away.
func (m *Matcher) Run(ctx context.Context) {
	poll(ctx, m.wake, m.idle, m.round, func(attempt int, err error) {
		m.log.Warn("changes not matched", "kind", outcome.KindOf(err), "attempt", attempt, "error", err)
	})
}

// Drain matches what there is now.
func (m *Matcher) Drain(ctx context.Context) error {
	for {
		if n, _, err := m.look(ctx); n == 0 || err != nil {
			return err
		}
	}
}

// unheard is the wait after a round in which nobody listened: meanwhile the relay marks nearly all
// that is changed as matched along with sending it. What a round meets is written once more.
const unheard = time.Second

func (m *Matcher) round(ctx context.Context) (int, error) {
	n, heard, err := m.look(ctx)
	if n > 0 && !heard && err == nil {
		pause(ctx, nil, unheard)
	}
	return n, err
}

// look matches once; heard says that somebody listened.
func (m *Matcher) look(ctx context.Context) (n int, heard bool, err error) {
	n, err = m.changes.MatchOutbox(ctx, batchRows, func(ctx context.Context, changes []store.OutboxRow, live []store.Subscription) (store.Matched, error) {
		heard = true
		return m.match(ctx, changes, live)
	})
	if n > 0 && heard && err == nil {
		m.queued()
	}
	return n, heard, err
}

// nudge puts a wake into a channel of room for one.
func nudge(wake chan struct{}) {
	select {
	case wake <- struct{}{}:
	default: // a look is due already
	}
}
