package hook

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"syscall"
	"time"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/tracing"
)

// Limits of what an endpoint may make us hold.
const (
	connectTimeout = 10 * time.Second
	answerLimit    = 64 << 10 // bytes of an answer's body that are read, to be able to go on with the connection
	headerLimit    = 32 << 10
	longestAfter   = time.Hour // that an endpoint may ask for
)

// errAddress is the error of a connection that would have led where none may.
var errAddress = errors.New("the address may not be called")

// Result is what became of a call.
type Result struct {
	Taken bool
	Final bool          // it will never be taken: not on the list any more, or gone
	Why   string        // it was not taken, in words without anything of the call
	After time.Duration // the endpoint asked to be left alone for so long
	Took  time.Duration
}

// Client calls endpoints. It is safe for concurrent use.
type Client struct {
	endpoints Endpoints
	http      *http.Client
}

// NewClient returns a client for the endpoints on a list.
func NewClient(e Endpoints) *Client { return newClient(e, nil, nil) }

func newClient(e Endpoints, names *net.Resolver, roots *x509.CertPool) *Client {
	transport := &http.Transport{
		Proxy:                  nil, // the one that connects must be the one that checks
		DialContext:            dialer(e, names),
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		ForceAttemptHTTP2:      true,
		TLSHandshakeTimeout:    connectTimeout,
		IdleConnTimeout:        30 * time.Second,
		MaxIdleConnsPerHost:    4,
		MaxConnsPerHost:        16,
		MaxResponseHeaderBytes: headerLimit,
		DisableCompression:     true,
	}
	return &Client{endpoints: e, http: &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// dialer connects to addresses that the list lets its host have.
func dialer(e Endpoints, names *net.Resolver) func(ctx context.Context, network, address string) (net.Conn, error) {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		host, port, err := net.SplitHostPort(address)
		if err != nil {
			return nil, err
		}
		d := net.Dialer{Timeout: connectTimeout, Resolver: names, ControlContext: func(_ context.Context, _, to string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(to)
			if err != nil || !e.Reaches(host, port, at.Addr()) {
				return errAddress
			}
			return nil
		}}
		return d.DialContext(ctx, network, address)
	}
}

// Send makes a call once. It ends within the call's own time, whatever the endpoint does.
func (c *Client) Send(ctx context.Context, call *episode.Call) Result {
	if c.endpoints.Allow(call.URL) != nil {
		return Result{Final: true, Why: "the endpoint is not on the list of those that may be called"}
	}
	began := time.Now()
	ctx, cancel := context.WithTimeout(ctx, call.Timeout)
	defer cancel()
	r := c.send(ctx, call)
	r.Took = time.Since(began)
	return r
}

func (c *Client) send(ctx context.Context, call *episode.Call) Result {
	request, err := http.NewRequestWithContext(ctx, call.Method, call.URL, bytes.NewReader(call.Body))
	if err != nil {
		return Result{Final: true, Why: "the endpoint can't be called"}
	}
	for _, h := range call.Headers {
		request.Header.Add(h[0], h[1])
	}
	for name, value := range tracing.Carry(ctx) {
		request.Header.Set(name, value)
	}
	if request.Header.Get("User-Agent") == "" {
		request.Header.Set("User-Agent", "fhirsvc")
	}
	if call.ContentType != "" {
		request.Header.Set("Content-Type", call.ContentType)
	}
	response, err := c.http.Do(request)
	if err != nil {
		return Result{Why: because(err)}
	}
	_, err = io.CopyN(io.Discard, response.Body, answerLimit)
	_ = response.Body.Close() // the answer is its status
	if err != nil && !errors.Is(err, io.EOF) && ctx.Err() != nil {
		return Result{Why: because(ctx.Err())}
	}
	return judge(response)
}

// judge reads an answer: any success takes the call (RFC 9110 section 15.3), 410 means
// that there will never be anybody (section 15.5.11), and all else may pass.
func judge(r *http.Response) Result {
	if r.StatusCode >= 200 && r.StatusCode < 300 {
		return Result{Taken: true}
	}
	return Result{
		Final: r.StatusCode == http.StatusGone, Why: fmt.Sprintf("the endpoint answered %d", r.StatusCode),
		After: retryAfter(r.Header.Get("Retry-After")),
	}
}

// retryAfter reads seconds or a date (RFC 9110 section 10.2.3).
func retryAfter(text string) time.Duration {
	var d time.Duration
	if n, err := strconv.Atoi(text); err == nil {
		d = time.Duration(min(n, int(longestAfter/time.Second))) * time.Second
	} else if at, err := http.ParseTime(text); err == nil {
		d = time.Until(at)
	}
	return min(max(d, 0), longestAfter)
}

// because says in a few fixed words why there was no answer: errors of the network quote
// URLs.
func because(err error) string {
	var name *net.DNSError
	var certificate *tls.CertificateVerificationError
	switch {
	case errors.Is(err, errAddress):
		return "the endpoint's name leads to an address that may not be called"
	case errors.Is(err, context.DeadlineExceeded):
		return "the endpoint did not answer in time"
	case errors.As(err, &name):
		return "the endpoint's name is not known"
	case errors.As(err, &certificate):
		return "the endpoint's certificate is not trusted"
	}
	return "the endpoint can't be reached"
}
