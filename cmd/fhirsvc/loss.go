package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir/outcome"
)

// loss is a resource that was told of in a later version than the database has.
type loss struct {
	events.Told
	stored int64 // 0: not at all
}

func (l loss) standing() string {
	if l.stored == 0 {
		return "-"
	}
	return strconv.FormatInt(l.stored, 10)
}

// compare holds what was told against what is stored, and finds the highest version of
// both.
func (r *restored) compare(ctx context.Context) error {
	highest, newest, err := r.store.Newest(ctx)
	if err != nil {
		return err
	}
	before, err := r.store.ToldVersions(ctx)
	if err != nil {
		return err
	}
	r.highest = max(highest, before, r.told)
	since := newest.Add(-clocksDiffer)
	if r.all {
		since = time.Unix(0, 0)
	}
	if err := r.complete(ctx, newest); err != nil {
		return err
	}
	told, err := events.LastTold(ctx, r.js, since)
	if errors.Is(err, jetstream.ErrStreamNotFound) && r.told > 0 {
		return nil
	}
	if err != nil {
		return err
	}
	for _, t := range told {
		r.highest = max(r.highest, t.Version)
		stored, err := r.store.Read(ctx, t.Type, t.ID)
		if err != nil && outcome.KindOf(err) != outcome.CodeNotFound {
			return err
		}
		if t.Version > stored.Version && t.Type != "Provenance" { // it says who changed another, which is listed
			r.lost = append(r.lost, loss{t, stored.Version})
		}
	}
	slices.SortFunc(r.lost, func(a, b loss) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Reference(), b.Reference()))
	})
	return nil
}

// complete refuses to guess: a stream of changes that was made after the last change which
// the database has can't say what was told before.
func (r *restored) complete(ctx context.Context, newest time.Time) error {
	since, err := events.TellingSince(ctx, r.js)
	if err == nil && !since.After(newest) || newest.IsZero() || r.told > 0 {
		return nil
	}
	if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return err
	}
	return usageError{fmt.Errorf("restored: the stream %s no longer has what was told after %s, the time of the backup: say with --told up to which version resources were told of; a number far too high does no harm",
		events.StreamChanges, newest.UTC().Format(time.RFC3339))}
}

// older gives what is stored, but in an older version, by episode.
func (r *restored) older() map[string][]string {
	all := map[string][]string{}
	for _, l := range r.lost {
		if l.stored > 0 {
			all[l.Episode] = append(all[l.Episode], l.Reference())
		}
	}
	return all
}
