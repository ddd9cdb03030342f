package episode

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// protocol is a protocol version with the digest of its bytes.
type protocol struct {
	*workflow.Protocol
	digest string
}

// protocols are those that new episodes are given, and a cache of all that episodes
// name. Versions never change, so the cache is never wrong.
type protocols struct {
	offered []*workflow.Protocol
	mu      sync.Mutex
	cached  map[string]protocol
}

// CheckProtocols names every fault of every protocol at once; nil when all can be used.
func CheckProtocols(bodies [][]byte, drafts bool) error {
	_, err := readProtocols(bodies, drafts)
	return err
}

// fixProtocols copies the protocols into the store. Every fault of every protocol is
// named at once.
func fixProtocols(ctx context.Context, st store.Store, list []read) (*protocols, error) {
	p := &protocols{cached: map[string]protocol{}}
	var faults []error
	for _, one := range list {
		if err := st.FixProtocol(ctx, one.Canonical(), one.body); err != nil {
			faults = append(faults, fmt.Errorf("protocol %s: %w", one.Canonical(), err))
			continue
		}
		p.offered = append(p.offered, one.Protocol)
		p.cached[one.Canonical()] = one.protocol
	}
	return p, errors.Join(faults...)
}

// read is a protocol with the bytes that it was read from.
type read struct {
	protocol
	body []byte
}

// readProtocols gives those that can be used.
func readProtocols(bodies [][]byte, drafts bool) ([]read, error) {
	var list []read
	var faults []error
	for i, body := range bodies {
		one, err := readProtocol(body)
		switch {
		case err != nil:
			faults = append(faults, fmt.Errorf("protocol %d: %w", i+1, err))
		case one.Draft && !drafts:
			faults = append(faults, fmt.Errorf("protocol %s: it is a draft: nobody has approved it", one.Canonical()))
		default:
			list = append(list, read{protocol: one, body: body})
		}
	}
	return list, errors.Join(faults...)
}

// chosen gives one of those that are offered.
func (p *protocols) chosen(canonical string) protocol {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cached[canonical]
}

func readProtocol(body []byte) (protocol, error) {
	one, issues := fhir.ParseProtocol(body)
	if one == nil {
		var faults []error
		for _, i := range issues {
			faults = append(faults, errors.New(i.String()))
		}
		return protocol{}, errors.Join(faults...)
	}
	return protocol{Protocol: one, digest: digest(body)}, nil
}

// get gives a protocol version that an episode names; the zero protocol for "".
func (p *protocols) get(ctx context.Context, st store.Store, canonical, want string) (protocol, error) {
	if canonical == "" {
		return protocol{}, nil
	}
	p.mu.Lock()
	one, ok := p.cached[canonical]
	p.mu.Unlock()
	if !ok {
		body, err := st.Protocol(ctx, canonical)
		if err != nil {
			return protocol{}, fmt.Errorf("protocol %s: %w", canonical, err)
		}
		if one, err = readProtocol(body); err != nil {
			return protocol{}, fmt.Errorf("protocol %s: %w", canonical, err)
		}
		p.mu.Lock()
		p.cached[canonical] = one
		p.mu.Unlock()
	}
	if one.digest != want {
		return protocol{}, outcome.Fail(outcome.CodeException, "protocol "+canonical, "its bytes are not those that the episode was started with")
	}
	return one, nil
}

func digest(body []byte) string {
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:])
}
