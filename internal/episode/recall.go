package episode

import (
	"context"
	"encoding/json"
	"fmt"

	"fhirsvc/internal/fhir/outcome"
)

// remembered is one result as the inbox keeps it: by name, since the store has the
// resource.
type remembered struct {
	Created  bool            `json:"created"`
	Type     string          `json:"type"`
	ID       string          `json:"id"`
	Version  int64           `json:"version"`
	Warnings []outcome.Issue `json:"warnings,omitempty"`
}

func remember(results []EntryResult) ([]byte, error) {
	kept := make([]remembered, 0, len(results))
	for _, r := range results {
		kept = append(kept, remembered{
			Created: r.Created, Type: r.Resource.Type, ID: r.Resource.ID, Version: r.Resource.Version, Warnings: r.Warnings,
		})
	}
	b, err := json.Marshal(kept)
	if err != nil {
		return nil, fmt.Errorf("encode results: %w", err)
	}
	return b, nil
}

// recall reads results that were stored before, when the answer of their commit was lost.
func (s *Service) recall(ctx context.Context, answer []byte) ([]EntryResult, error) {
	var kept []remembered
	if err := json.Unmarshal(answer, &kept); err != nil {
		return nil, fmt.Errorf("decode results: %w", err)
	}
	results := make([]EntryResult, 0, len(kept))
	for _, k := range kept {
		r, err := s.Store.ReadVersion(ctx, k.Type, k.ID, k.Version)
		if err != nil {
			return nil, err
		}
		results = append(results, EntryResult{Created: k.Created, Resource: r, Warnings: k.Warnings})
	}
	return results, nil
}
