package push

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
	"os"
	"strconv"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/tracing"
)

const (
	connectTimeout = 10 * time.Second
	headerLimit    = 64 << 10
	answerLimit    = 16 << 20  // bytes of an answer that are read
	longestAfter   = time.Hour // that a server may ask for
)

// client speaks to one FHIR server. It is safe for concurrent use.
type client struct {
	base    string
	timeout time.Duration
	http    *http.Client
	tokens  *tokens // nil sends none
}

func newClient(d Destination) (*client, error) {
	roots, err := authorities(d.CA)
	if err != nil {
		return nil, fmt.Errorf("destination %s: %w", d.Name, err)
	}
	c := &client{base: d.Base, timeout: d.Timeout, http: &http.Client{
		// No redirect is followed: a token and a patient's record go to the server that is
		// named and to no other.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext:            (&net.Dialer{Timeout: connectTimeout}).DialContext,
			TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
			TLSHandshakeTimeout:    connectTimeout,
			ForceAttemptHTTP2:      true,
			IdleConnTimeout:        30 * time.Second,
			MaxIdleConnsPerHost:    parallel,
			MaxConnsPerHost:        parallel,
			MaxResponseHeaderBytes: headerLimit,
		},
	}}
	if d.OAuth != nil {
		if c.tokens, err = newTokens(*d.OAuth, c.http); err != nil {
			return nil, fmt.Errorf("destination %s: oauth.keyFile: %w", d.Name, err)
		}
	}
	return c, nil
}

func authorities(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("caFile: %w", err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(text) {
		return nil, errors.New("caFile: no certificate in it")
	}
	return roots, nil
}

// answer is what came back for a request. Without a status there was none, for which why
// gives fixed words.
type answer struct {
	status int
	body   []byte
	after  time.Duration // the server asked to be left alone for so long
	why    string
	login  bool // there is no token to ask with
	doubt  bool // the server may have done what it was asked to
}

// send posts a Bundle to the base. It ends within the time of two requests and two tokens.
func (c *client) send(ctx context.Context, body []byte) answer {
	for again := false; ; again = true {
		token, a := "", answer{}
		if c.tokens != nil {
			var err error
			if token, err = c.token(ctx); err != nil {
				return answer{why: err.Error(), login: true}
			}
		}
		a = c.once(ctx, body, token)
		if a.status != http.StatusUnauthorized || token == "" || again {
			return a
		}
		c.tokens.drop(token) // it may have been revoked
	}
}

func (c *client) token(ctx context.Context) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, c.timeout)
	defer cancel()
	return c.tokens.get(ctx)
}

func (c *client) once(ctx context.Context, body []byte, token string) answer {
	ctx, cancel := context.WithTimeout(ctx, c.timeout)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, c.base, bytes.NewReader(body))
	if err != nil {
		return answer{why: "the server can't be called"}
	}
	r.Header.Set("Content-Type", fhir.ContentType)
	r.Header.Set("Accept", fhir.ContentType)
	r.Header.Set("Prefer", "return=minimal")
	// Some servers answer a search with what they found a minute ago; what is asked for here is
	// what has just been written (RFC 9111 section 5.2.1.4).
	r.Header.Set("Cache-Control", "no-cache")
	r.Header.Set("User-Agent", "fhirsvc")
	for name, value := range tracing.Carry(ctx) {
		r.Header.Set(name, value)
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	response, err := c.http.Do(r)
	if err != nil {
		return answer{why: because(err), doubt: !neverSent(err)}
	}
	defer response.Body.Close()
	a := answer{status: response.StatusCode, after: retryAfter(response.Header.Get("Retry-After"))}
	if a.body, err = io.ReadAll(io.LimitReader(response.Body, answerLimit+1)); err != nil || len(a.body) > answerLimit {
		return answer{why: "the server broke off its answer, or it was too long", doubt: true}
	}
	return a
}

// neverSent reports whether a request failed before any of it was on its way.
func neverSent(err error) bool {
	var op *net.OpError
	var certificate *tls.CertificateVerificationError
	return errors.As(err, &op) && op.Op == "dial" || errors.As(err, &certificate)
}

// because says in a few fixed words why there was no answer: errors of the network quote
// URLs.
func because(err error) string {
	var dns *net.DNSError
	var certificate *tls.CertificateVerificationError
	switch {
	case errors.Is(err, context.DeadlineExceeded), isTimeout(err):
		return "no answer in time"
	case errors.As(err, &dns):
		return "its name is not known"
	case errors.As(err, &certificate):
		return "its certificate is not trusted"
	}
	return "it can't be reached"
}

func isTimeout(err error) bool {
	var t net.Error
	return errors.As(err, &t) && t.Timeout()
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
