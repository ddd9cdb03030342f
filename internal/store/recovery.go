package store

import (
	"context"
	"time"
)

// Recovery is what a store knows that lets a service go on after a restore from a backup.
type Recovery interface {
	// Settled gives the highest position that was stored of the stream that was made at an
	// instant; 0 if none.
	Settled(ctx context.Context, stream time.Time) (int64, error)
	// Newest gives the highest version of any resource and when the last one was written;
	// zero of both in an empty store.
	Newest(ctx context.Context) (version int64, at time.Time, err error)
	// RaiseVersions remembers that numbers up to this one may have been told of any resource.
	// A lower one than before changes nothing.
	RaiseVersions(ctx context.Context, told int64) error
	// ToldVersions gives what was remembered; 0 before any restore.
	ToldVersions(ctx context.Context) (int64, error)
}
