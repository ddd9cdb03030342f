package push

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"
)

// office gives out tokens, "1", "2" and so on, with an answer of the test's own.
type office struct {
	*tokens
	t      *testing.T
	asked  atomic.Int64
	answer func(w http.ResponseWriter, token string)
	at     time.Time
}

func newOffice(t *testing.T, answer func(w http.ResponseWriter, token string)) *office {
	t.Helper()
	o := &office{t: t, answer: answer, at: time.Now()}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		o.answer(w, fmt.Sprint(o.asked.Add(1)))
	}))
	t.Cleanup(server.Close)
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	text, err := json.Marshal(jose.JSONWebKey{Key: key, KeyID: "k", Algorithm: "ES384"})
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "key.json")
	require.NoError(t, os.WriteFile(file, text, 0o600))
	o.tokens, err = newTokens(OAuth{TokenURL: server.URL, ClientID: "c", Scope: "s", KeyFile: file}, server.Client())
	require.NoError(t, err)
	o.now = func() time.Time { return o.at }
	return o
}

// expect asks after a time and gets a token, or for "" none.
func (o *office) expect(after time.Duration, want string) {
	o.t.Helper()
	o.at = o.at.Add(after)
	got, err := o.get(o.t.Context())
	require.Equal(o.t, want, got)
	require.Equal(o.t, want == "", err != nil, "%v", err)
}

// bearer is an answer with a life in seconds; below 0 it says none.
func bearer(life int64) func(w http.ResponseWriter, token string) {
	return func(w http.ResponseWriter, token string) {
		said := ""
		if life >= 0 {
			said = fmt.Sprintf(`,"expires_in":%d`, life)
		}
		_, _ = fmt.Fprintf(w, `{"access_token":%q,"token_type":"Bearer"%s}`, token, said)
	}
}

// A token is kept while it is good, but for its last quarter or half a minute: what takes long
// must not arrive after its end. One that does not say how long is kept as SMART recommends
// (hl7.org/fhir/smart-app-launch/backend-services.html: at most five minutes).
func TestHowLongATokenIsKept(t *testing.T) {
	t.Parallel()
	for life, kept := range map[int64]time.Duration{
		300: 270 * time.Second, 60: 45 * time.Second, -1: 45 * time.Second, 0: 45 * time.Second,
		1 << 40: 24*time.Hour - 30*time.Second, 1 << 62: 24*time.Hour - 30*time.Second,
	} {
		o := newOffice(t, bearer(life))
		o.expect(0, "1")
		o.expect(kept-time.Millisecond, "1")
		o.expect(time.Millisecond, "2")
	}
}

// An authorization server that fails is asked once a second, however many wait, and no more seldom.
func TestAFailedRequestIsNotRepeatedAtOnce(t *testing.T) {
	t.Parallel()
	o := newOffice(t, func(w http.ResponseWriter, _ string) { w.WriteHeader(http.StatusServiceUnavailable) })
	o.expect(0, "")
	o.expect(askPause-time.Millisecond, "")
	require.EqualValues(t, 1, o.asked.Load())
	o.answer = bearer(300)
	o.expect(time.Millisecond, "2")
}

// Of two that were refused an old token, the second must not have the first one's new one dropped.
func TestOnlyTheTokenThatWasRefusedIsDropped(t *testing.T) {
	t.Parallel()
	o := newOffice(t, bearer(300))
	o.expect(0, "1")
	o.drop("1")
	o.expect(0, "2")
	o.drop("1")
	o.expect(0, "2")
}

// RFC 6749 section 5.1: an answer has a token and its type, of which only bearer is known here.
func TestAnswersThatAreNoToken(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{
		"no JSON":      `token`,
		"no token":     `{"token_type":"bearer"}`,
		"no type":      `{"access_token":"1"}`,
		"another type": `{"access_token":"1","token_type":"mac"}`,
		"too long":     `{"access_token":"1","token_type":"bearer","x":"` + strings.Repeat("x", tokenAnswer) + `"}`,
	} {
		o := newOffice(t, func(w http.ResponseWriter, _ string) { _, _ = w.Write([]byte(body)) })
		_, err := o.get(t.Context())
		require.ErrorContains(t, err, "gave no bearer token", name)
	}
	o := newOffice(t, func(w http.ResponseWriter, token string) { w.WriteHeader(http.StatusAccepted); bearer(300)(w, token) })
	_, err := o.get(t.Context())
	require.ErrorContains(t, err, "answered 202")
}
