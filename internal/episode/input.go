package episode

import (
	"encoding/json"
	"fmt"

	"fhirsvc/internal/workflow"
)

// The kinds of input as they are stored.
const (
	kindStarted   = "started"
	kindRevoked   = "revoked"
	kindCharted   = "charted"
	kindRelocated = "relocated"
	kindElapsed   = "elapsed"
)

// recorded is an input as it is stored: with the protocol in force, since an event may
// bring one to an episode that had none.
type recorded struct {
	Protocol       string          `json:"protocol,omitempty"`
	ProtocolDigest string          `json:"protocolDigest,omitempty"`
	NoProtocol     string          `json:"noProtocol,omitempty"`
	Input          json.RawMessage `json:"input"`
}

// record writes an input for replay.
func (l *loaded) record(in workflow.Input) (kind string, body []byte, err error) {
	r := recorded{NoProtocol: l.core.NoProtocol}
	if l.protocol.Protocol != nil {
		r.Protocol, r.ProtocolDigest = l.protocol.Canonical(), l.protocol.digest
	}
	if r.Input, err = json.Marshal(in); err == nil {
		body, err = json.Marshal(r)
	}
	if err != nil {
		return "", nil, fmt.Errorf("encode input of episode %s: %w", l.id, err)
	}
	return kindOf(in), body, nil
}

func kindOf(in workflow.Input) string {
	switch in.(type) {
	case workflow.Started:
		return kindStarted
	case workflow.Revoked:
		return kindRevoked
	case workflow.Charted:
		return kindCharted
	case workflow.Relocated:
		return kindRelocated
	case workflow.Elapsed:
		return kindElapsed
	}
	return ""
}

// decodeInput reads the input of what record wrote.
func decodeInput(kind string, body []byte) (workflow.Input, error) {
	switch kind {
	case kindStarted:
		return decodeAs[workflow.Started](body)
	case kindRevoked:
		return decodeAs[workflow.Revoked](body)
	case kindCharted:
		return decodeAs[workflow.Charted](body)
	case kindRelocated:
		return decodeAs[workflow.Relocated](body)
	case kindElapsed:
		return decodeAs[workflow.Elapsed](body)
	}
	return nil, fmt.Errorf("decode input: unknown kind %q", kind)
}

func decodeAs[T workflow.Input](body []byte) (workflow.Input, error) {
	var in T
	if err := json.Unmarshal(body, &in); err != nil {
		return nil, fmt.Errorf("decode input: %w", err)
	}
	return in, nil
}
