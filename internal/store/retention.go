package store

import (
	"context"
	"time"
)

// Old is what is kept for some time alone, beside episodes.
type Old uint8

// The kinds of what gets old.
const (
	OldInbox  Old = iota + 1 // entries of the inbox, but the last position of each stream
	OldOutbox                // messages that nobody waits for any more
	OldAudit                 // AuditEvents
)

// Retention removes what a site no longer keeps.
type Retention interface {
	// Idle gives the ids of episodes that wait for no time, in order, those after an id, at
	// most limit.
	Idle(ctx context.Context, after string, limit int) ([]string, error)
	// OfEpisode gives the current version of each resource that belongs to an episode, in
	// order of type and id.
	OfEpisode(ctx context.Context, id string) ([]Resource, error)
	// Purge removes an episode with its inputs and resources, their versions and what they
	// are found by. Business identifiers stay taken, and the episode is remembered: loading
	// it gives deleted. It is a conflict when the episode has another version by now, waits
	// for a time, or something of it is still to be told. The record of it, a new resource, is
	// stored in the same transaction.
	Purge(ctx context.Context, id string, version int64, record Resource) error
	// CountOld counts what was stored before an instant and may be removed; entries of the
	// inbox and AuditEvents by their own time, messages by the store's clock.
	CountOld(ctx context.Context, what Old, before time.Time) (int, error)
	// RemoveOld removes at most limit of them and gives their number. If there were any, the
	// record of it, a new resource, is stored in the same transaction.
	RemoveOld(ctx context.Context, what Old, before time.Time, limit int, record Recording) (int, error)
}

// Recording makes the record of so many that were removed.
type Recording func(removed int) (Resource, error)
