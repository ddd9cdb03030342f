package smarttest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"
)

// Audience is what the tokens are for.
const Audience = "https://fhirsvc.example/fhir"

// Claims are those of a token. A nil value takes a standard one out.
type Claims map[string]any

// Issuer is an authorization server with an RSA and an EC key.
type Issuer struct {
	t   testing.TB
	RSA *rsa.PrivateKey
	EC  *ecdsa.PrivateKey
	// URL is its name (iss), JWKS where its keys are.
	URL, JWKS string

	mu     sync.Mutex
	set    []jose.JSONWebKey
	status int
	asked  atomic.Int64
}

// rsaKey is made once: it takes a while.
var rsaKey = sync.OnceValues(func() (*rsa.PrivateKey, error) { return rsa.GenerateKey(rand.Reader, 2048) })

// NewIssuer starts one; it ends with the test.
func NewIssuer(t testing.TB) *Issuer {
	t.Helper()
	i := &Issuer{t: t, URL: "https://issuer.example", status: http.StatusOK}
	var err error
	i.RSA, err = rsaKey()
	require.NoError(t, err)
	i.EC, err = ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	i.Publish(
		jose.JSONWebKey{Key: i.RSA.Public(), KeyID: "rsa-1", Use: "sig", Algorithm: string(jose.RS384)},
		jose.JSONWebKey{Key: i.EC.Public(), KeyID: "ec-1", Use: "sig"},
	)
	server := httptest.NewServer(i)
	t.Cleanup(server.Close)
	i.JWKS = server.URL + "/jwks"
	return i
}

// Publish changes the keys that are served.
func (i *Issuer) Publish(keys ...jose.JSONWebKey) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.set = append([]jose.JSONWebKey{}, keys...)
}

// Answer changes the status of the answers.
func (i *Issuer) Answer(status int) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.status = status
}

// Asked counts the questions for keys.
func (i *Issuer) Asked() int { return int(i.asked.Load()) }

// ServeHTTP serves the keys.
func (i *Issuer) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	i.asked.Add(1)
	i.mu.Lock()
	defer i.mu.Unlock()
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(i.status)
	_ = json.NewEncoder(w).Encode(jose.JSONWebKeySet{Keys: i.set}) // the client may have gone
}

// Keys gives the published set as JSON.
func (i *Issuer) Keys() []byte {
	i.mu.Lock()
	defer i.mu.Unlock()
	body, err := json.Marshal(jose.JSONWebKeySet{Keys: i.set})
	require.NoError(i.t, err)
	return body
}

// Claims are those of a sound token, changed.
func (i *Issuer) Claims(change Claims) Claims {
	now := time.Now().Unix()
	all := Claims{
		"iss": i.URL, "aud": Audience, "sub": "ward-screens", "client_id": "ward-screens", "jti": "t-1",
		"iat": now, "nbf": now, "exp": now + 300, "scope": "system/*.cruds system/AuditEvent.rs", "fhirsvc_units": "*",
	}
	maps.Copy(all, change)
	maps.DeleteFunc(all, func(_ string, v any) bool { return v == nil })
	return all
}

// Token is a sound token with changed claims, signed with ES384.
func (i *Issuer) Token(change Claims) string {
	return i.Sign(jose.ES384, i.EC, map[string]any{"kid": "ec-1", "typ": "at+jwt"}, i.Claims(change))
}

// Sign signs any claims with any key and headers.
func (i *Issuer) Sign(alg jose.SignatureAlgorithm, key any, headers map[string]any, claims any) string {
	i.t.Helper()
	o := &jose.SignerOptions{ExtraHeaders: map[jose.HeaderKey]any{}}
	for name, value := range headers {
		o.ExtraHeaders[jose.HeaderKey(name)] = value
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, o)
	require.NoError(i.t, err)
	payload, ok := claims.([]byte)
	if !ok {
		payload, err = json.Marshal(claims)
		require.NoError(i.t, err)
	}
	signed, err := signer.Sign(payload)
	require.NoError(i.t, err)
	token, err := signed.CompactSerialize()
	require.NoError(i.t, err)
	return token
}
