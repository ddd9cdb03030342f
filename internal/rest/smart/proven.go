package smart

import (
	"crypto/ecdsa"
	"crypto/rsa"
	"crypto/sha256"
	"sync"
)

// mostProven bounds how many tokens are remembered; beyond that, memory begins anew.
const mostProven = 4096

// proven remembers which tokens a key signed, since that costs more to find out than all
// else (an ES384 signature about a millisecond). Nothing but the signature is remembered:
// claims and times are looked at each time, and so is whether the key is still the
// issuer's.
type proven struct {
	mu   sync.Mutex
	keys map[[sha256.Size]byte]any
}

// by reports whether the token, byte for byte, is known to be signed by the key.
func (p *proven) by(token string, key any) bool {
	p.mu.Lock()
	known := p.keys[sha256.Sum256([]byte(token))]
	p.mu.Unlock()
	switch known := known.(type) {
	case *rsa.PublicKey:
		other, ok := key.(*rsa.PublicKey)
		return ok && known.Equal(other)
	case *ecdsa.PublicKey:
		other, ok := key.(*ecdsa.PublicKey)
		return ok && known.Equal(other)
	}
	return false
}

func (p *proven) keep(token string, key any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.keys == nil || len(p.keys) >= mostProven {
		p.keys = map[[sha256.Size]byte]any{}
	}
	p.keys[sha256.Sum256([]byte(token))] = key
}
