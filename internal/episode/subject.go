package episode

import (
	"context"
	"strings"
)

// episodesOfSubject loads all episodes of a patient (Patient/id), oldest first.
func (s *Service) episodesOfSubject(ctx context.Context, subject string) ([]*loaded, error) {
	ids, err := s.Store.EpisodesOf(ctx, strings.TrimPrefix(subject, "Patient/"))
	if err != nil {
		return nil, err
	}
	all := make([]*loaded, 0, len(ids))
	for _, id := range ids {
		l, err := s.load(ctx, id)
		if err != nil {
			return nil, err
		}
		all = append(all, l)
	}
	return all, nil
}
