package episode

import (
	"context"
	"errors"
	"strconv"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// Elapse tells an episode that time has passed, up to now. An episode that is not due
// is left alone. Its errors are those of Message but for content.
func (s *Service) Elapse(ctx context.Context, episodeID string, now time.Time) error {
	return s.elapse(ctx, s, episodeID, now)
}

// elapse is Elapse; the first try reads from a service that knows more, or from s itself.
func (s *Service) elapse(ctx context.Context, first *Service, episodeID string, now time.Time) error {
	q := quarantine{kind: kindElapsed, episode: episodeID}
	return s.guard(ctx, &q, func() error {
		_, err := s.commit(ctx, "elapse "+episodeID, func(ctx context.Context) (*draft, error) {
			l, err := first.load(ctx, episodeID)
			first = s
			if err != nil || l.due.IsZero() || l.due.After(now) {
				return nil, err
			}
			q.id, q.subject, q.unit = episodeID+"/"+strconv.FormatInt(l.version, 10), l.state.Refs.Subject, l.state.Refs.Unit
			d := s.newDraft("")
			if now.After(d.at) { // the database's clock may be ahead of ours
				d.at = now
			}
			if err := d.advance(l, workflow.Elapsed{Stamp: workflow.Stamp{At: d.at, ID: q.id}}); err != nil {
				return nil, asFault(err)
			}
			return d, d.seal(store.Inbox{})
		})
		return err
	})
}

// asFault makes sure that a refusal of an input that nobody entered is seen as ours.
func asFault(err error) error {
	var r *workflow.Refusal
	if errors.As(err, &r) {
		return &outcome.Error{Kind: outcome.CodeException, Details: "the core refused an input of the service's own", Err: err}
	}
	return err
}
