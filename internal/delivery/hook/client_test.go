package hook

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/dns/dnsmessage"

	"fhirsvc/internal/episode"
)

// endpoint is a server on this machine with what it was sent.
type endpoint struct {
	*httptest.Server
	mu   sync.Mutex
	got  []*http.Request
	body []string
}

func newEndpoint(t *testing.T, answer http.HandlerFunc) *endpoint {
	t.Helper()
	e := &endpoint{}
	e.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		e.mu.Lock()
		e.got, e.body = append(e.got, r), append(e.body, string(body))
		e.mu.Unlock()
		answer(w, r)
	}))
	t.Cleanup(e.Close)
	return e
}

func (e *endpoint) calls() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return len(e.got)
}

func status(code int) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

func call(url string) *episode.Call {
	return &episode.Call{
		Method: "POST", URL: url, Timeout: 5 * time.Second, ContentType: "application/fhir+json", Body: []byte(`{"canary":1}`),
		Headers: [][2]string{{"Authorization", "Bearer canary"}, {"X-Ward", "3"}, {"X-Ward", "4"}},
	}
}

func TestSend(t *testing.T) {
	t.Parallel()
	e := newEndpoint(t, status(204))
	r := NewClient(Loopback()).Send(t.Context(), call(e.URL+"/hook?x=1"))
	require.True(t, r.Taken)
	require.Positive(t, r.Took)
	got := e.got[0]
	require.Equal(t, "POST", got.Method)
	require.Equal(t, "/hook?x=1", got.RequestURI)
	require.Equal(t, "application/fhir+json", got.Header.Get("Content-Type"))
	require.Equal(t, "Bearer canary", got.Header.Get("Authorization"))
	require.Equal(t, []string{"3", "4"}, got.Header.Values("X-Ward"))
	require.Equal(t, "fhirsvc", got.UserAgent())
	require.Empty(t, got.Header.Get("Accept-Encoding"), "what is packed may be a thousand times longer")
	require.Equal(t, `{"canary":1}`, e.body[0])
	bare := call(e.URL)
	bare.Body, bare.ContentType, bare.Headers = nil, "", [][2]string{{"User-Agent", "mine"}}
	require.True(t, NewClient(Loopback()).Send(t.Context(), bare).Taken)
	require.Equal(t, "", e.body[1])
	require.Empty(t, e.got[1].Header.Values("Content-Type"))
	require.Equal(t, int64(0), e.got[1].ContentLength)
	require.Equal(t, "mine", e.got[1].UserAgent())
}

// RFC 9110 sections 15.3 to 15.6 and 10.2.3.
func TestAnswers(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		code  int
		after string
		want  Result
	}{
		{200, "", Result{Taken: true}},
		{202, "", Result{Taken: true}},
		{299, "", Result{Taken: true}},
		{400, "", Result{Why: "the endpoint answered 400"}},
		{401, "", Result{Why: "the endpoint answered 401"}},
		{404, "", Result{Why: "the endpoint answered 404"}},
		{410, "", Result{Final: true, Why: "the endpoint answered 410"}},
		{429, "7", Result{Why: "the endpoint answered 429", After: 7 * time.Second}},
		{500, "-4", Result{Why: "the endpoint answered 500"}},
		{503, "canary", Result{Why: "the endpoint answered 503"}},
		{503, "999999999", Result{Why: "the endpoint answered 503", After: time.Hour}},
		{503, "Mon, 02 Jan 2006 15:04:05 GMT", Result{Why: "the endpoint answered 503"}},
	} {
		e := newEndpoint(t, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", test.after)
			w.WriteHeader(test.code)
			_, _ = io.WriteString(w, "canary")
		})
		got := NewClient(Loopback()).Send(t.Context(), call(e.URL))
		got.Took = 0
		require.Equal(t, test.want, got)
	}
	soon := retryAfter(time.Now().Add(90 * time.Second).UTC().Format(http.TimeFormat))
	require.InDelta(t, 90, soon.Seconds(), 2)
	require.Equal(t, time.Hour, retryAfter(time.Now().Add(72*time.Hour).UTC().Format(http.TimeFormat)))
}

// A redirect is an answer and no success: where it leads is called by nobody.
func TestNoRedirectIsFollowed(t *testing.T) {
	t.Parallel()
	private := newEndpoint(t, status(200))
	for _, code := range []int{301, 302, 303, 307, 308} {
		for _, to := range []string{private.URL, "http://169.254.169.254/latest/meta-data/", "http://10.0.0.1/"} {
			e := newEndpoint(t, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, to, code) })
			r := NewClient(Loopback()).Send(t.Context(), call(e.URL))
			require.False(t, r.Taken)
			require.Equal(t, fmt.Sprintf("the endpoint answered %d", code), r.Why)
			require.Equal(t, 1, e.calls())
		}
	}
	require.Zero(t, private.calls())
}

func TestOffTheListIsNeverCalled(t *testing.T) {
	t.Parallel()
	e := newEndpoint(t, status(200))
	r := NewClient(mustParse(t, "https://hooks.example")).Send(t.Context(), call(e.URL))
	require.True(t, r.Final, "a site that takes an endpoint off its list ends it")
	require.NotContains(t, r.Why, "127")
	require.Zero(t, e.calls())
}

// An endpoint holds us no longer than its time: neither by silence, nor drop by drop, nor
// by a flood.
func TestAnEndpointCannotHoldUs(t *testing.T) {
	t.Parallel()
	hang := func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }
	drip := func(w http.ResponseWriter, r *http.Request) {
		for r.Context().Err() == nil {
			_, _ = io.WriteString(w, ".")
			_ = http.NewResponseController(w).Flush()
			time.Sleep(10 * time.Millisecond)
		}
	}
	for name, answer := range map[string]http.HandlerFunc{"silence": hang, "drops": drip} {
		e := newEndpoint(t, answer)
		c := call(e.URL)
		c.Timeout = 150 * time.Millisecond
		r := NewClient(Loopback()).Send(t.Context(), c)
		require.False(t, r.Taken, name)
		require.Equal(t, "the endpoint did not answer in time", r.Why)
		require.Less(t, r.Took, 3*time.Second)
	}
	var sent atomic.Int64
	flood := newEndpoint(t, func(w http.ResponseWriter, _ *http.Request) {
		for range 1 << 10 {
			n, err := w.Write(bytes.Repeat([]byte("x"), 64<<10))
			sent.Add(int64(n))
			if err != nil {
				return
			}
		}
	})
	require.True(t, NewClient(Loopback()).Send(t.Context(), call(flood.URL)).Taken, "its status is its answer")
	require.Less(t, sent.Load(), int64(32<<20), "64 MiB were on offer")
	heavy := newEndpoint(t, func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("X", strings.Repeat("x", 1<<20)) })
	require.Equal(t, "the endpoint can't be reached", NewClient(Loopback()).Send(t.Context(), call(heavy.URL)).Why)
}

func TestWhatFailsIsSaidWithoutWhatWasSent(t *testing.T) {
	t.Parallel()
	closed := newEndpoint(t, status(200))
	closed.Close()
	secure := httptest.NewTLSServer(status(200))
	t.Cleanup(secure.Close)
	for url, want := range map[string]string{
		closed.URL + "/canary": "the endpoint can't be reached",
		secure.URL + "/canary": "the endpoint's certificate is not trusted",
	} {
		r := NewClient(Loopback()).Send(t.Context(), call(url))
		require.Equal(t, want, r.Why)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.False(t, NewClient(Loopback()).Send(ctx, call(closed.URL)).Taken)
}

// TLS below 1.2 is not to be used (RFC 8996).
func TestOldTLSIsNotSpoken(t *testing.T) {
	t.Parallel()
	for version, want := range map[uint16]bool{tls.VersionTLS11: false, tls.VersionTLS12: true} {
		e := httptest.NewUnstartedServer(status(200))
		e.TLS = &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: version}
		e.StartTLS()
		t.Cleanup(e.Close)
		roots := x509.NewCertPool()
		roots.AddCert(e.Certificate())
		require.Equal(t, want, newClient(Loopback(), nil, roots).Send(t.Context(), call(e.URL)).Taken, tls.VersionName(version))
	}
}

// A proxy would connect in our place, and ask nobody where to.
func TestNoProxyIsAsked(t *testing.T) {
	t.Parallel()
	transport, ok := NewClient(Loopback()).http.Transport.(*http.Transport)
	require.True(t, ok)
	require.Nil(t, transport.Proxy)
}

// names is a DNS server that gives each question's answer from a function, so that a name
// can be pointed elsewhere between two questions.
func names(t *testing.T, answer func(n int) string) (*net.Resolver, *atomic.Int64) {
	t.Helper()
	pc, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = pc.Close() })
	var asked atomic.Int64
	go func() {
		buffer := make([]byte, 512)
		for {
			n, from, err := pc.ReadFrom(buffer)
			if err != nil {
				return
			}
			var m dnsmessage.Message
			if m.Unpack(buffer[:n]) != nil {
				return
			}
			m.Response, m.Additionals = true, nil
			if q := m.Questions[0]; q.Type == dnsmessage.TypeA {
				ip := net.ParseIP(answer(int(asked.Add(1)))).To4()
				m.Answers = []dnsmessage.Resource{{
					Header: dnsmessage.ResourceHeader{Name: q.Name, Type: q.Type, Class: q.Class}, Body: &dnsmessage.AResource{A: [4]byte(ip)},
				}}
			}
			packed, err := m.Pack()
			if err != nil {
				return
			}
			_, _ = pc.WriteTo(packed, from)
		}
	}()
	return &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "udp", pc.LocalAddr().String())
	}}, &asked
}

// A name on the list that is pointed at this machine, or first somewhere else and then at
// it (DNS rebinding), leads nowhere: what is checked is the address of the connection.
func TestRebindingLeadsNowhere(t *testing.T) {
	t.Parallel()
	inside := httptest.NewTLSServer(status(200))
	t.Cleanup(inside.Close)
	called := atomic.Int64{}
	inside.Config.ConnState = func(net.Conn, http.ConnState) { called.Add(1) }
	u, err := url.Parse(inside.URL)
	require.NoError(t, err)
	for name, answer := range map[string]func(n int) string{
		"at this machine": func(int) string { return "127.0.0.1" },
		"metadata":        func(int) string { return "169.254.169.254" },
		"any":             func(int) string { return "0.0.0.0" },
		"first elsewhere": func(n int) string { return map[bool]string{true: "192.0.2.7", false: "127.0.0.1"}[n == 1] },
	} {
		resolver, asked := names(t, answer)
		client := newClient(mustParse(t, "https://hooks.example.org:"+u.Port()), resolver, nil)
		for range 3 {
			r := client.Send(t.Context(), call("https://hooks.example.org:"+u.Port()+"/x"))
			require.Equal(t, "the endpoint's name leads to an address that may not be called", r.Why, name)
			require.False(t, r.Final, "a wrong answer of a name server may pass")
		}
		require.GreaterOrEqual(t, asked.Load(), int64(3), "each connection is looked at")
	}
	require.Zero(t, called.Load())
}

// The same name is called when the list names the address that it has, with TLS and a
// certificate that is trusted.
func TestAnAddressOnTheListIsCalled(t *testing.T) {
	t.Parallel()
	e := httptest.NewTLSServer(status(200))
	t.Cleanup(e.Close)
	roots := x509.NewCertPool()
	roots.AddCert(e.Certificate())
	u, err := url.Parse(e.URL)
	require.NoError(t, err)
	client := newClient(mustParse(t, "https://127.0.0.1:"+u.Port()+"/a"), nil, roots)
	require.True(t, client.Send(t.Context(), call(e.URL+"/a/b")).Taken)
	require.True(t, client.Send(t.Context(), call(e.URL+"/b")).Final)
}
