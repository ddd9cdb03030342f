package push_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push"
	"fhirsvc/internal/delivery/push/pushtest"
)

// authority is an authorization server that checks what SMART Backend Services asks of a
// client (hl7.org/fhir/smart-app-launch/backend-services.html, client-confidential-asymmetric.html).
type authority struct {
	*httptest.Server
	key jose.JSONWebKey

	mu    sync.Mutex
	seen  map[string]bool // ids of assertions
	asked int
	valid map[string]bool
	life  int
	down  bool
	wrong string // what was not as it must be
}

func newAuthority(t *testing.T, private any, alg jose.SignatureAlgorithm) (*authority, *push.OAuth) {
	a := &authority{key: jose.JSONWebKey{Key: private, KeyID: "k1", Algorithm: string(alg)}, seen: map[string]bool{}, valid: map[string]bool{}, life: 300}
	a.Server = httptest.NewServer(http.HandlerFunc(a.serve))
	t.Cleanup(a.Close)
	text, err := json.Marshal(a.key)
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "key.json")
	require.NoError(t, os.WriteFile(file, text, 0o600))
	return a, &push.OAuth{TokenURL: a.URL + "/token", ClientID: "fhirsvc-1", Scope: "system/*.cruds", KeyFile: file}
}

func (a *authority) serve(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.asked++
	if a.down {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	if err := a.check(r); err != nil {
		a.wrong = err.Error()
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	token := rand.Text()
	a.valid[token] = true
	w.Header().Set("Content-Type", "application/json")
	_, _ = fmt.Fprintf(w, `{"access_token":%q,"token_type":"bearer","expires_in":%d,"scope":"system/*.cruds"}`, token, a.life)
}

func (a *authority) check(r *http.Request) error {
	for name, want := range map[string]string{
		"grant_type": "client_credentials", "scope": "system/*.cruds",
		"client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
	} {
		if got := r.PostFormValue(name); got != want {
			return fmt.Errorf("%s is %q", name, got)
		}
	}
	token, err := jwt.ParseSigned(r.PostFormValue("client_assertion"), []jose.SignatureAlgorithm{jose.RS384, jose.ES384})
	if err != nil {
		return err
	}
	var c jwt.Claims
	if err := token.Claims(a.key.Public().Key, &c); err != nil {
		return err
	}
	head := token.Headers[0]
	switch {
	case head.KeyID != "k1" || head.ExtraHeaders["typ"] != "JWT":
		return fmt.Errorf("header %+v", head)
	case c.Issuer != "fhirsvc-1" || c.Subject != "fhirsvc-1":
		return fmt.Errorf("iss %q, sub %q", c.Issuer, c.Subject)
	case c.ID == "" || a.seen[c.ID]:
		return fmt.Errorf("jti %q is used again", c.ID)
	case c.Expiry == nil || time.Until(c.Expiry.Time()) > 5*time.Minute:
		return fmt.Errorf("exp more than five minutes away")
	}
	a.seen[c.ID] = true
	return c.Validate(jwt.Expected{AnyAudience: jwt.Audience{a.URL + "/token"}, Time: time.Now()})
}

func (a *authority) taken(token string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.valid[token]
}

func (a *authority) set(f func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f()
}

func (a *authority) times() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.asked
}

func TestTokens(t *testing.T) {
	t.Parallel()
	rs, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	es, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	for alg, key := range map[jose.SignatureAlgorithm]any{jose.RS384: rs, jose.ES384: es} {
		t.Run(string(alg), func(t *testing.T) {
			t.Parallel()
			a, oauth := newAuthority(t, key, alg)
			s := newSite(t)
			s.server.Authorize(a.taken)
			s.carrier = s.carry(push.Destination{Name: "ehr", Base: s.server.Base(), Timeout: 5 * time.Second, OAuth: oauth})
			for _, status := range []string{"draft", "ready", "completed"} {
				s.change("e", task("t1", status))
				s.must()
			}
			require.Empty(t, a.wrong)
			require.Equal(t, 1, a.times(), "a token is kept")

			a.set(func() { clear(a.valid) })
			s.change("e", task("t1", "in-progress"))
			s.must()
			require.Equal(t, 2, a.times(), "one that was revoked is renewed")
			s.same()

			a.set(func() { clear(a.valid); a.down = true })
			s.change("e", task("t1", "completed"))
			x, _ := s.once()
			require.True(t, x.Failed && x.Away && !x.Doubt, "%+v", x)
			require.Equal(t, "login", x.Why.Code)
			require.Equal(t, "the authorization server answered 503", x.Why.Details)
		})
	}
}

// A token whose time is over is renewed before it is refused.
func TestTokensAreRenewedInTime(t *testing.T) {
	t.Parallel()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	a, oauth := newAuthority(t, key, jose.ES384)
	a.life = 1
	s := newSite(t)
	s.server.Authorize(a.taken)
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: s.server.Base(), Timeout: 5 * time.Second, OAuth: oauth})
	s.change("e", task("t1", "draft"))
	s.must()
	require.Eventually(t, func() bool {
		s.change("e", task("t1", "ready"))
		s.must()
		return a.times() > 1
	}, 10*time.Second, 50*time.Millisecond)
	refused := 0
	for _, kind := range s.server.Requests {
		if kind == "batch" {
			refused++
		}
	}
	require.Zero(t, refused)
}

// A token goes to the server that is named, and to no other.
func TestNoRedirectIsFollowed(t *testing.T) {
	t.Parallel()
	called := false
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { called = true }))
	t.Cleanup(other.Close)
	moved := httptest.NewServer(http.RedirectHandler(other.URL, http.StatusTemporaryRedirect))
	t.Cleanup(moved.Close)
	s := newSite(t)
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: moved.URL, Timeout: 5 * time.Second})
	s.change("e", task("t1", "draft"))
	x, _ := s.once()
	require.True(t, x.Failed && x.Away)
	require.Equal(t, 307, x.Why.Status)
	require.False(t, called)
}

func TestKeysThatAreNone(t *testing.T) {
	t.Parallel()
	es, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	small, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	file := func(key any) string {
		text, err := json.Marshal(key)
		require.NoError(t, err)
		path := filepath.Join(t.TempDir(), "key.json")
		require.NoError(t, os.WriteFile(path, text, 0o600))
		return path
	}
	for name, path := range map[string]string{
		"no file":      filepath.Join(t.TempDir(), "none"),
		"no key":       file("canary"),
		"public":       file(jose.JSONWebKey{Key: es.Public(), KeyID: "k", Algorithm: "ES384"}),
		"no kid":       file(jose.JSONWebKey{Key: es, Algorithm: "ES384"}),
		"no alg":       file(jose.JSONWebKey{Key: es, KeyID: "k"}),
		"weak alg":     file(jose.JSONWebKey{Key: small, KeyID: "k", Algorithm: "ES256"}),
		"another's":    file(jose.JSONWebKey{Key: es, KeyID: "k", Algorithm: "RS384"}),
		"secret alone": file(jose.JSONWebKey{Key: []byte("canary"), KeyID: "k", Algorithm: "HS384"}),
	} {
		_, err := push.NewCarrier(push.Options{Destination: push.Destination{
			Name: "ehr", Base: "https://ehr.example", OAuth: &push.OAuth{TokenURL: "https://ehr.example", ClientID: "c", Scope: "s", KeyFile: path},
		}})
		require.ErrorContains(t, err, "destination ehr: oauth.keyFile:", name)
		require.NotContains(t, err.Error(), "canary")
	}
}

// Only a certificate that the site trusts is spoken to, the system's or one of its own file.
func TestCertificates(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	secure := httptest.NewTLSServer(s.server.Config.Handler)
	t.Cleanup(secure.Close)
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: secure.URL + "/fhir", Timeout: 5 * time.Second})
	s.change("e", task("t1", "draft"))
	x, _ := s.once()
	require.True(t, x.Failed && x.Away && !x.Doubt)
	require.Equal(t, "its certificate is not trusted", x.Why.Details)
	file := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(file, pushtest.PEM(secure.Certificate()), 0o600))
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: secure.URL + "/fhir", Timeout: 5 * time.Second, CA: file})
	s.must()
	s.same()
}
