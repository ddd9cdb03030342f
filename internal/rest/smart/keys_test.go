package smart_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/rest/smart/smarttest"
)

// clock is one that can be turned.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.at }

func (c *clock) turn(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// verifierOn makes a verifier whose keys' age is told by a clock; the tokens' time is
// real.
func verifierOn(i *smarttest.Issuer, c *clock) *smart.Verifier {
	return smart.NewVerifier(smart.VerifierOptions{
		Issuer: i.URL, Audience: smarttest.Audience, UnitsClaim: "fhirsvc_units",
		Keys: smart.NewKeys(smart.KeyOptions{URL: i.JWKS, Now: c.now}),
	})
}

func TestKeysAreRotated(t *testing.T) {
	t.Parallel()
	i, c := smarttest.NewIssuer(t), &clock{at: time.Now()}
	v := verifierOn(i, c)
	old := i.Token(nil)
	for range 20 {
		_, err := v.Verify(t.Context(), old)
		require.NoError(t, err)
	}
	require.Equal(t, 1, i.Asked(), "keys are kept")

	next, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	i.Publish(jose.JSONWebKey{Key: next.Public(), KeyID: "ec-2"})
	fresh := i.Sign(jose.ES384, next, map[string]any{"kid": "ec-2"}, i.Claims(nil))
	_, err = v.Verify(t.Context(), fresh)
	require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err), "asked a moment ago")
	c.turn(11 * time.Second)
	_, err = v.Verify(t.Context(), fresh)
	require.NoError(t, err, "an unknown key is asked for")
	require.Equal(t, 2, i.Asked())
	_, err = v.Verify(t.Context(), old)
	require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err), "a key that was taken out is dead")
}

func TestAKeyThatIsTakenOutDiesByItself(t *testing.T) {
	t.Parallel()
	i, c := smarttest.NewIssuer(t), &clock{at: time.Now()}
	v := verifierOn(i, c)
	_, err := v.Verify(t.Context(), i.Token(nil))
	require.NoError(t, err)
	i.Publish()
	c.turn(5 * time.Minute)
	_, err = v.Verify(t.Context(), i.Token(nil))
	require.Equal(t, outcome.CodeUnknown, outcome.KindOf(err))
}

// Tokens with unknown keys don't become a storm of questions.
func TestUnknownKeysAreAskedForSeldom(t *testing.T) {
	t.Parallel()
	i, c := smarttest.NewIssuer(t), &clock{at: time.Now()}
	v := verifierOn(i, c)
	var all sync.WaitGroup
	for range 64 {
		all.Go(func() {
			_, err := v.Verify(t.Context(), i.Sign(jose.ES384, i.EC, map[string]any{"kid": rand.Text()}, i.Claims(nil)))
			if outcome.KindOf(err) != outcome.CodeUnknown {
				t.Errorf("got %v", err)
			}
		})
	}
	all.Wait()
	require.Equal(t, 1, i.Asked())
}

// Without keys nobody is let in; with old ones only for an hour.
func TestWithoutTheIssuerAllIsClosed(t *testing.T) {
	t.Parallel()
	i, c := smarttest.NewIssuer(t), &clock{at: time.Now()}
	i.Answer(http.StatusInternalServerError)
	v := verifierOn(i, c)
	_, err := v.Verify(t.Context(), i.Token(nil))
	require.Equal(t, outcome.CodeTransient, outcome.KindOf(err), "it has never had a key")
	i.Answer(http.StatusOK)
	c.turn(11 * time.Second)
	_, err = v.Verify(t.Context(), i.Token(nil))
	require.NoError(t, err)
	i.Answer(http.StatusNotFound)
	c.turn(59 * time.Minute)
	_, err = v.Verify(t.Context(), i.Token(nil))
	require.NoError(t, err, "the last set serves for an hour")
	c.turn(2 * time.Minute)
	_, err = v.Verify(t.Context(), i.Token(nil))
	require.Equal(t, outcome.CodeTransient, outcome.KindOf(err))
	i.Answer(http.StatusOK)
	c.turn(11 * time.Second)
	_, err = v.Verify(t.Context(), i.Token(nil))
	require.NoError(t, err)
}

func TestLoadSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	i := smarttest.NewIssuer(t)
	moved := httptest.NewServer(http.RedirectHandler(i.JWKS, http.StatusFound))
	t.Cleanup(moved.Close)
	endless := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		for range 64 {
			_, _ = w.Write(make([]byte, 64<<10)) // the client goes away
		}
	}))
	t.Cleanup(endless.Close)
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	require.NoError(t, smart.NewKeys(smart.KeyOptions{URL: i.JWKS}).Load(t.Context()))
	require.NoError(t, smart.NewKeys(smart.KeyOptions{File: file("keys.json", string(i.Keys()))}).Load(t.Context()))
	for name, o := range map[string]smart.KeyOptions{
		"a redirect":     {URL: moved.URL},
		"an endless set": {URL: endless.URL},
		"nobody there":   {URL: "http://127.0.0.1:1/"},
		"no file":        {File: filepath.Join(dir, "none")},
		"no set":         {File: file("text", "hello")},
		"another JSON":   {File: file("other", `{"keys":null}`)},
	} {
		require.ErrorContains(t, smart.NewKeys(o).Load(t.Context()), "read the issuer's keys", name)
	}
}
