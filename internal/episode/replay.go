package episode

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

// Replay computes an episode's state anew from its stored inputs, each under the
// protocol that was in force, and compares it with the stored one byte for byte. A
// difference is an exception: the record and the rules no longer agree.
func (s *Service) Replay(ctx context.Context, id string) error {
	stored, err := s.Store.Load(ctx, id)
	if err != nil {
		return err
	}
	if _, err = s.open(ctx, stored); err != nil {
		return err
	}
	inputs, err := s.Store.Inputs(ctx, id)
	if err != nil {
		return err
	}
	core := workflow.New(id, nil, "")
	for _, in := range inputs {
		if core, err = s.replayOne(ctx, core, in.Kind, in.Body); err != nil {
			return fmt.Errorf("replay input %d of episode %s: %w", in.Seq, id, err)
		}
	}
	again, err := json.Marshal(withoutProtocol(core))
	if err != nil {
		return fmt.Errorf("encode state of episode %s: %w", id, err)
	}
	// What is stored is written anew, too: a release from before wrote down what is zero.
	was, err := decodeState(stored.State)
	if err != nil {
		return fmt.Errorf("load episode %s: %w", id, err)
	}
	before, err := json.Marshal(withoutProtocol(was.core))
	if err != nil {
		return fmt.Errorf("encode state of episode %s: %w", id, err)
	}
	if !bytes.Equal(again, before) {
		return outcome.Fail(outcome.CodeException, "replay episode "+id, "the inputs no longer give the stored state")
	}
	return nil
}

func (s *Service) replayOne(ctx context.Context, core workflow.Episode, kind string, body []byte) (workflow.Episode, error) {
	var r recorded
	if err := json.Unmarshal(body, &r); err != nil {
		return core, err
	}
	p, err := s.protocols.get(ctx, s.Store, r.Protocol, r.ProtocolDigest)
	if err != nil {
		return core, err
	}
	in, err := decodeInput(kind, r.Input)
	if err != nil {
		return core, err
	}
	core.Protocol, core.NoProtocol = p.Protocol, r.NoProtocol
	core, _, err = s.step(core, in)
	return core, err
}
