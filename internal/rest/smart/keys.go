package smart

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"

	"fhirsvc/internal/fhir/outcome"
)

const (
	// freshFor is how long a set of keys is used without asking again, so that a key
	// that was taken out dies within minutes.
	freshFor = 5 * time.Minute
	// staleFor is how long the last set still serves when the issuer can't be asked.
	// After that every token is refused: a key may have been revoked since.
	staleFor = time.Hour
	// askPause is the shortest time between two questions, so that tokens with unknown
	// keys don't become requests to the issuer.
	askPause = 10 * time.Second
	// askTimeout bounds one question.
	askTimeout = 5 * time.Second
	// longestSet bounds a set of keys in bytes: some hundred keys.
	longestSet = 256 << 10
	// shortestRSA is the least length of an RSA key in bits (RFC 7518 section 3.3).
	shortestRSA = 2048
)

// KeyOptions say where the issuer's public keys (JWKS, RFC 7517) are: at a URL or in a
// file.
type KeyOptions struct {
	URL  string
	File string
	// Client makes the requests; nil takes one that follows no redirect.
	Client *http.Client
	// Now is the real time; nil takes time.Now.
	Now func() time.Time
}

// Keys holds the issuer's keys. It is safe for concurrent use.
type Keys struct {
	o      KeyOptions
	asking sync.Mutex // held by the one who asks

	mu    sync.RWMutex
	set   map[keyName]any
	asked time.Time // zero: never
	got   time.Time // zero: never
}

// keyName is what a key is found by. The algorithm is that of its kind, so that a key
// never serves another one (RFC 8725 section 3.1).
type keyName struct {
	id  string
	alg jose.SignatureAlgorithm
}

// NewKeys returns a holder that asks when the first key is needed.
func NewKeys(o KeyOptions) *Keys {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Client == nil {
		o.Client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	return &Keys{o: o}
}

// Load asks now, so that a start can tell what is wrong. Tokens are refused until a
// later question succeeds.
func (k *Keys) Load(ctx context.Context) error {
	set, err := k.fetch(ctx)
	if err != nil {
		return err
	}
	k.keep(set)
	return nil
}

// find gives a public key. Its errors are unknown, and transient when the issuer can't be
// asked and what is known of its keys is too old.
func (k *Keys) find(ctx context.Context, name keyName) (any, error) {
	key, age := k.look(name)
	if key == nil || age >= freshFor {
		k.ask(ctx, key == nil || age >= staleFor)
		key, age = k.look(name)
	}
	switch {
	case age >= staleFor:
		return nil, outcome.Fail(outcome.CodeTransient, "find key", "the keys of the token's issuer can't be had now")
	case key == nil:
		return nil, outcome.Fail(outcome.CodeUnknown, "find key", "no key of the issuer fits the token")
	}
	return key, nil
}

// look gives what is known, and how old it is; a set that was never had is too old.
func (k *Keys) look(name keyName) (key any, age time.Duration) {
	k.mu.RLock()
	defer k.mu.RUnlock()
	if k.got.IsZero() {
		return nil, staleFor
	}
	return k.set[name], k.o.Now().Sub(k.got)
}

// ask renews the set, unless that was tried a moment ago. Who can do without an answer
// does not wait for another one's question.
func (k *Keys) ask(ctx context.Context, wait bool) {
	if !wait && !k.asking.TryLock() {
		return
	}
	if wait {
		k.asking.Lock()
	}
	defer k.asking.Unlock()
	k.mu.RLock()
	soon := !k.asked.IsZero() && k.o.Now().Sub(k.asked) < askPause
	k.mu.RUnlock()
	if soon {
		return
	}
	set, err := k.fetch(context.WithoutCancel(ctx)) // others wait for it, too
	k.mu.Lock()
	k.asked = k.o.Now()
	k.mu.Unlock()
	if err == nil {
		k.keep(set)
	}
}

func (k *Keys) keep(set map[keyName]any) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.set, k.got = set, k.o.Now()
}

// fetch reads the set from where it is. An error names no more than what failed.
func (k *Keys) fetch(ctx context.Context) (map[keyName]any, error) {
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	var body io.ReadCloser
	var err error
	if k.o.File != "" {
		body, err = os.Open(k.o.File)
	} else {
		body, err = k.get(ctx)
	}
	if err != nil {
		return nil, fmt.Errorf("read the issuer's keys: %w", err)
	}
	defer body.Close()
	text, err := io.ReadAll(io.LimitReader(body, longestSet+1))
	if err != nil {
		return nil, fmt.Errorf("read the issuer's keys: %w", err)
	}
	if len(text) > longestSet {
		return nil, fmt.Errorf("read the issuer's keys: more than %d bytes", longestSet)
	}
	return parseKeys(text)
}

func (k *Keys) get(ctx context.Context) (io.ReadCloser, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, k.o.URL, nil)
	if err != nil {
		return nil, err
	}
	r.Header.Set("Accept", "application/json")
	answer, err := k.o.Client.Do(r)
	if err != nil {
		return nil, err
	}
	if answer.StatusCode != http.StatusOK {
		return nil, errors.Join(fmt.Errorf("status %d", answer.StatusCode), answer.Body.Close())
	}
	return answer.Body, nil
}

// parseKeys reads a set. A key that can't be used here is left out, as RFC 7517 section 5
// says, so that an issuer may have others beside.
func parseKeys(text []byte) (map[keyName]any, error) {
	var raw struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(text, &raw); err != nil || raw.Keys == nil {
		return nil, errors.New("read the issuer's keys: not a JSON Web Key Set")
	}
	set := map[keyName]any{}
	for _, one := range raw.Keys {
		var key jose.JSONWebKey
		if key.UnmarshalJSON(one) != nil || key.KeyID == "" || key.Use != "" && key.Use != "sig" {
			continue
		}
		alg := algorithmOf(key.Key)
		if alg == "" || key.Algorithm != "" && key.Algorithm != string(alg) {
			continue
		}
		if name := (keyName{key.KeyID, alg}); set[name] == nil {
			set[name] = key.Key
		}
	}
	return set, nil
}

// algorithmOf gives the one algorithm that a public key serves here, "" for none: SMART
// 2.2 asks for RS384 and ES384. Secret and private keys serve none.
func algorithmOf(key any) jose.SignatureAlgorithm {
	switch key := key.(type) {
	case *rsa.PublicKey:
		if key.N.BitLen() >= shortestRSA {
			return jose.RS384
		}
	case *ecdsa.PublicKey:
		if key.Curve == elliptic.P384() {
			return jose.ES384
		}
	}
	return ""
}
