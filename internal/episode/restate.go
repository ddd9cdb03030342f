package episode

import (
	"context"
	"fmt"
	"strings"

	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// after gives the number of the version after another, 0 for that of a new resource, and how
// many numbers it skips: those that may have been told before the store was restored.
func (s *Service) after(version int64) (number, skipped int64) {
	number = max(version, s.published) + 1
	return number, number - 1 - version
}

// Restate writes what is stored of resources once more, for readers that were told of later
// versions before the store was restored. The references are all of one episode, or of none
// if that is ""; those that are not stored are left out. An episode has time passing as its
// input. The errors are those of Elapse.
func (s *Service) Restate(ctx context.Context, episode string, references []string) error {
	_, err := s.commit(ctx, "restate", func(ctx context.Context) (*draft, error) {
		current, err := s.readAll(ctx, references)
		if err != nil || len(current) == 0 {
			return nil, err
		}
		d := s.newDraft("")
		if episode == "" {
			for _, r := range current {
				next, err := s.sameAgain(r, d.at)
				if err != nil {
					return nil, err
				}
				d.put(next, 0)
			}
			return d, d.seal(store.Inbox{})
		}
		l, err := s.load(ctx, episode)
		if err != nil {
			return nil, err
		}
		l.leaving = current
		id := fmt.Sprintf("%s/%d", episode, l.version)
		if err := d.advance(l, workflow.Elapsed{Stamp: workflow.Stamp{At: d.at, ID: id}}); err != nil {
			return nil, asFault(err)
		}
		return d, d.seal(store.Inbox{})
	})
	return err
}

// readAll gives the current versions of those that are stored.
func (s *Service) readAll(ctx context.Context, references []string) ([]store.Resource, error) {
	var all []store.Resource
	for _, ref := range references {
		kind, id, _ := strings.Cut(ref, "/")
		r, err := s.current(ctx, kind, id)
		if err != nil {
			return nil, err
		}
		if r != nil {
			all = append(all, *r)
		}
	}
	return all, nil
}
