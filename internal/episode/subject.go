package episode

import (
	"context"
	"strings"
)

// episodesOfSubject loads all episodes of a person, under whichever record (Patient/id) of
// theirs, each record's oldest first.
func (s *Service) episodesOfSubject(ctx context.Context, subject string) ([]*loaded, error) {
	records, err := s.person(ctx, subject)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, record := range records {
		some, err := s.Store.EpisodesOf(ctx, strings.TrimPrefix(record, "Patient/"))
		if err != nil {
			return nil, err
		}
		ids = append(ids, some...)
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
