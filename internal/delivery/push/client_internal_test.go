package push

import (
	"context"
	"crypto/tls"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
)

func mustClient(t *testing.T, d Destination) *client {
	t.Helper()
	d.Name, d.Timeout = "ehr", 5*time.Second
	c, err := newClient(d)
	require.NoError(t, err)
	return c
}

// TLS below 1.2 is not to be used (RFC 8996).
func TestOldTLSIsNotSpoken(t *testing.T) {
	t.Parallel()
	for version, want := range map[uint16]int{tls.VersionTLS11: 0, tls.VersionTLS12: http.StatusOK} {
		s := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
		s.TLS = &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: version}
		s.StartTLS()
		t.Cleanup(s.Close)
		file := filepath.Join(t.TempDir(), "ca.pem")
		require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600))
		require.Equal(t, want, mustClient(t, Destination{Base: s.URL, CA: file}).send(t.Context(), nil).status, tls.VersionName(version))
	}
}

// What a site names as its authorities is there, or nothing is delivered: the system's own are
// not taken in their place.
func TestAuthoritiesThatAreNone(t *testing.T) {
	t.Parallel()
	empty := filepath.Join(t.TempDir(), "canary.pem")
	require.NoError(t, os.WriteFile(empty, []byte("canary"), 0o600))
	for _, file := range []string{empty, filepath.Join(t.TempDir(), "none")} {
		_, err := newClient(Destination{Name: "ehr", Base: "https://e.example", CA: file})
		require.ErrorContains(t, err, "destination ehr: caFile")
	}
}

// hl7.org/fhir/R4/http.html#ops: of what is stored nothing need come back.
func TestHowAServerIsAsked(t *testing.T) {
	t.Parallel()
	var got http.Header
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got = r.Header }))
	t.Cleanup(s.Close)
	require.Equal(t, http.StatusOK, mustClient(t, Destination{Base: s.URL}).send(t.Context(), nil).status)
	for name, want := range map[string]string{
		"Accept": fhir.ContentType, "Content-Type": fhir.ContentType, "Prefer": "return=minimal", "Cache-Control": "no-cache",
		"User-Agent": "fhirsvc", "Authorization": "",
	} {
		require.Equal(t, want, got.Get(name), name)
	}
}

// What was never on its way is not in doubt.
func TestAServerThatIsDown(t *testing.T) {
	t.Parallel()
	s := httptest.NewServer(http.NotFoundHandler())
	s.Close()
	require.Equal(t, answer{why: "it can't be reached"}, mustClient(t, Destination{Base: s.URL}).send(t.Context(), nil))
	require.Equal(t, "its name is not known", because(&net.DNSError{IsNotFound: true}))
	require.Equal(t, "no answer in time", because(&net.DNSError{IsTimeout: true}))
}

// A server that refuses every token is asked twice, with two tokens.
func TestARefusedTokenIsRenewedOnce(t *testing.T) {
	t.Parallel()
	var got []string
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = append(got, r.Header.Get("Authorization"))
		w.WriteHeader(http.StatusUnauthorized)
	}))
	t.Cleanup(s.Close)
	c := mustClient(t, Destination{Base: s.URL})
	c.tokens = newOffice(t, bearer(300)).tokens
	require.Equal(t, http.StatusUnauthorized, c.send(t.Context(), nil).status)
	require.Equal(t, []string{"Bearer 1", "Bearer 2"}, got)
}

// Whoever hangs, the server or the one that gives out tokens, holds the queue for the
// destination's time.
func TestNobodyIsWaitedForLong(t *testing.T) {
	t.Parallel()
	hung := newOffice(t, bearer(300))
	ended := make(chan struct{})
	t.Cleanup(func() { close(ended) })
	hung.answer = func(http.ResponseWriter, string) { <-ended }
	for _, test := range []struct {
		tokens *tokens
		want   answer
	}{
		{nil, answer{why: "no answer in time", doubt: true}},
		{hung.tokens, answer{why: "the authorization server does not answer: no answer in time", login: true}},
	} {
		c := mustClient(t, Destination{Base: hung.o.TokenURL})
		c.timeout, c.tokens = 50*time.Millisecond, test.tokens
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		began := time.Now()
		require.Equal(t, test.want, c.send(ctx, nil))
		require.Less(t, time.Since(began), 10*time.Second)
	}
}

// An answer of more than is read is none: half of it would be taken for the whole.
func TestAnAnswerWithoutEnd(t *testing.T) {
	t.Parallel()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		_, _ = io.CopyN(w, endless{}, answerLimit+1)
	}))
	t.Cleanup(s.Close)
	a := mustClient(t, Destination{Base: s.URL}).send(t.Context(), nil)
	require.Zero(t, a.status)
	require.True(t, a.doubt)
}

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

// RFC 9110 section 10.2.3.
func TestRetryAfter(t *testing.T) {
	t.Parallel()
	date := func(d time.Duration) string { return time.Now().Add(d).UTC().Format(http.TimeFormat) }
	for text, want := range map[string]time.Duration{
		"": 0, "7": 7 * time.Second, "-4": 0, "canary": 0, "999999999": time.Hour, date(-time.Hour): 0, date(72 * time.Hour): time.Hour,
	} {
		require.Equal(t, want, retryAfter(text), text)
	}
	require.InDelta(t, 90, retryAfter(date(90*time.Second)).Seconds(), 2)
}
