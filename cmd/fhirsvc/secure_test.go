package main

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/netutil"
)

// authority signs certificates for a test.
type authority struct {
	t    *testing.T
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, a.key.Public(), a.key)
	require.NoError(t, err)
	a.cert, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	return a
}

// issue makes a certificate for this machine, as PEM of it and its key.
func (a *authority) issue(serial int64) (cert, key []byte) {
	a.t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, k.Public(), a.key)
	require.NoError(a.t, err)
	pkcs, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(a.t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs})
}

func (a *authority) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

func (a *authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return pool
}

// files writes a certificate with its key, and the authority, and gives the configuration.
func (a *authority) files(dir string, serial int64) Config {
	a.t.Helper()
	cert, key := a.issue(serial)
	c := Config{TLSCert: filepath.Join(dir, "tls.crt"), TLSKey: filepath.Join(dir, "tls.key"), TLSClientCA: filepath.Join(dir, "ca.crt")}
	for name, text := range map[string][]byte{c.TLSCert: cert, c.TLSKey: key, c.TLSClientCA: a.pem()} {
		require.NoError(a.t, os.WriteFile(name, text, 0o600))
	}
	return c
}

// serving serves a handler as serve does, and gives its address.
func serving(t *testing.T, server *http.Server, most int) string {
	t.Helper()
	listen, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	limited := netutil.LimitListener(listen, most)
	done := make(chan error, 1)
	go func() {
		if server.TLSConfig != nil {
			done <- server.ServeTLS(limited, "", "")
			return
		}
		done <- server.Serve(limited)
	}()
	t.Cleanup(func() {
		require.NoError(t, server.Close())
		require.ErrorIs(t, <-done, http.ErrServerClosed)
	})
	return listen.Addr().String()
}

func hello(w http.ResponseWriter, r *http.Request) {
	if _, err := io.Copy(io.Discard, r.Body); err != nil {
		return // cut off
	}
	_, _ = io.WriteString(w, "hello") // the client may have gone
}

// A certificate that was renewed is served without a start; one that can't be read is
// not; and nothing below TLS 1.2 is spoken (BCP 195, RFC 9325 section 3.1.1).
func TestCertificatesAreRenewed(t *testing.T) {
	a, dir := newAuthority(t), t.TempDir()
	c, err := openCertificates(a.files(dir, 7), slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	server := newServer(http.HandlerFunc(hello), slog.New(slog.DiscardHandler))
	server.TLSConfig = c.server()
	address := serving(t, server, 10)
	serial := func() int64 {
		conn, err := tls.Dial("tcp", address, &tls.Config{RootCAs: a.pool(), NextProtos: []string{"h2"}})
		require.NoError(t, err)
		defer conn.Close() //nolint:errcheck // the test is done with it
		require.Equal(t, "h2", conn.ConnectionState().NegotiatedProtocol)
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	look := func() { c.mu.Lock(); defer c.mu.Unlock(); c.looked = time.Time{} }
	require.EqualValues(t, 7, serial())
	a.files(dir, 8)
	look()
	require.EqualValues(t, 8, serial())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tls.crt"), []byte("half a file"), 0o600))
	look()
	require.EqualValues(t, 8, serial(), "the old one is used until the new one is whole")
	_, err = tls.Dial("tcp", address, &tls.Config{RootCAs: a.pool(), MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10})
	require.Error(t, err)

	for name, change := range map[string]func(*Config){
		"no certificate": func(c *Config) { c.TLSCert = "/nowhere" },
		"no authority":   func(c *Config) { c.TLSClientCA = "/nowhere" },
		"an empty one":   func(c *Config) { c.TLSClientCA = c.TLSKey },
	} {
		config := a.files(t.TempDir(), 9)
		change(&config)
		_, err := openCertificates(config, slog.New(slog.DiscardHandler))
		require.ErrorContains(t, err, "FHIRSVC_TLS_", name)
	}
}

// quick makes a server's limits short, each in proportion, so that a test can wait for
// them.
func quick(s *http.Server) *http.Server {
	for _, d := range []*time.Duration{&s.ReadHeaderTimeout, &s.ReadTimeout, &s.WriteTimeout, &s.IdleTimeout} {
		*d /= 100
	}
	return s
}

// A client that sends slowly, or not at all, or does not read, is cut off (CWE-400; the
// attacks that RFC 9112 section 11 and OWASP call slow HTTP).
func TestSlowClientsAreCutOff(t *testing.T) {
	server := newServer(http.HandlerFunc(hello), slog.New(slog.DiscardHandler))
	require.LessOrEqual(t, server.ReadHeaderTimeout, 10*time.Second)
	require.LessOrEqual(t, server.ReadTimeout, 30*time.Second)
	require.LessOrEqual(t, server.WriteTimeout, 90*time.Second)
	require.LessOrEqual(t, server.IdleTimeout, 2*time.Minute)
	require.LessOrEqual(t, server.MaxHeaderBytes, 64<<10)
	address := serving(t, quick(server), 10)
	for name, first := range map[string]string{
		"silent":        "",
		"slow headers":  "GET / HTTP/1.1\r\nHost: x\r\n",
		"slow body":     "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\n",
		"slow chunks":   "POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n",
		"idle after it": "GET / HTTP/1.1\r\nHost: x\r\n\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			conn, err := net.Dial("tcp", address)
			require.NoError(t, err)
			defer conn.Close() //nolint:errcheck // the server closed it
			_, err = io.WriteString(conn, first)
			require.NoError(t, err)
			if name == "slow headers" || name == "slow body" {
				go drip(t.Context(), conn)
			}
			require.NoError(t, conn.SetReadDeadline(time.Now().Add(10*time.Second)))
			_, err = io.Copy(io.Discard, conn)
			var late net.Error
			if errors.As(err, &late) {
				require.False(t, late.Timeout(), "it is still connected")
			}
		})
	}
}

// drip sends a byte now and then, until the other side has enough.
func drip(ctx context.Context, conn net.Conn) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if _, err := conn.Write([]byte("x")); err != nil {
				return
			}
		}
	}
}

func TestHeadersAreBounded(t *testing.T) {
	address := serving(t, newServer(http.HandlerFunc(hello), slog.New(slog.DiscardHandler)), 10)
	conn, err := net.Dial("tcp", address)
	require.NoError(t, err)
	defer conn.Close() //nolint:errcheck // the server closed it
	go func() {
		_, _ = io.WriteString(conn, "GET / HTTP/1.1\r\nHost: x\r\nX: ") // it is cut off at some point
		for range 100 {
			if _, err := conn.Write(make([]byte, 4<<10)); err != nil {
				return
			}
		}
	}()
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return // cut off before it could be told
	}
	require.NoError(t, answer.Body.Close())
	require.Contains(t, []int{400, 431}, answer.StatusCode)
}

// More connections than are allowed wait, and are served when others end.
func TestConnectionsAreLimited(t *testing.T) {
	address := serving(t, newServer(http.HandlerFunc(hello), slog.New(slog.DiscardHandler)), 2)
	get := func(conn net.Conn, wait time.Duration) error {
		if _, err := io.WriteString(conn, "GET / HTTP/1.1\r\nHost: x\r\n\r\n"); err != nil {
			return err
		}
		if err := conn.SetReadDeadline(time.Now().Add(wait)); err != nil {
			return err
		}
		_, err := http.ReadResponse(bufio.NewReader(conn), nil)
		return err
	}
	var all []net.Conn
	for range 3 {
		conn, err := net.Dial("tcp", address)
		require.NoError(t, err)
		defer conn.Close() //nolint:errcheck // the test is over
		all = append(all, conn)
	}
	require.NoError(t, get(all[0], 5*time.Second))
	require.NoError(t, get(all[1], 5*time.Second))
	require.Error(t, get(all[2], 200*time.Millisecond), "it waits")
	require.NoError(t, all[0].Close())
	require.NoError(t, all[2].SetReadDeadline(time.Now().Add(5*time.Second)))
	_, err := http.ReadResponse(bufio.NewReader(all[2]), nil)
	require.NoError(t, err)
}
