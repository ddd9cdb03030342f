package main

import (
	"bytes"
	"encoding/pem"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
)

// The test of the chart rests on this: a probe that says yes to everything would too.
func TestProbe(t *testing.T) {
	var asked atomic.Int64
	mux := http.NewServeMux()
	mux.HandleFunc("/readyz", func(http.ResponseWriter, *http.Request) {})
	mux.HandleFunc("/late", func(w http.ResponseWriter, _ *http.Request) {
		if asked.Add(1) < 3 {
			http.Error(w, "broker away", http.StatusServiceUnavailable)
		}
	})
	mux.HandleFunc("/away", func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "broker away", http.StatusServiceUnavailable)
	})
	mux.Handle("/moved", http.RedirectHandler("/readyz", http.StatusFound))
	plain, secure, other := httptest.NewServer(mux), httptest.NewTLSServer(mux), newAuthority(t)
	t.Cleanup(plain.Close)
	t.Cleanup(secure.Close)
	file := func(name string, body []byte) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, body, 0o600))
		return "--certificate=" + path
	}
	own := file("own.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: secure.Certificate().Raw}))
	theirs, _ := other.issue(1)
	tests := []struct {
		name string
		args []string
		code int
		says string
	}{
		{"ready", []string{plain.URL + "/readyz"}, exitOK, plain.URL + "/readyz: 200 OK"},
		{"ready in time", []string{"--within=5s", "--every=1ms", plain.URL + "/late"}, exitOK, "200 OK"},
		{"not in time", []string{"--within=20ms", "--every=1ms", plain.URL + "/away"}, exitFailed, "503 Service Unavailable"},
		{"the second is not", []string{"--within=20ms", "--every=1ms", plain.URL + "/readyz", plain.URL + "/away"}, exitFailed, "/away: 503"},
		{"elsewhere", []string{"--within=20ms", "--every=1ms", plain.URL + "/moved"}, exitFailed, "302 Found"},
		{"nobody there", []string{"--within=20ms", "--every=1ms", "http://127.0.0.1:1/readyz"}, exitFailed, "refused"},
		{"the certificate that is expected", []string{own, secure.URL + "/readyz"}, exitOK, "200 OK"},
		{"another certificate", []string{file("other.pem", theirs), "--within=20ms", "--every=1ms", secure.URL + "/readyz"}, exitFailed, "another certificate"},
		{"an authority that is not known", []string{"--within=20ms", "--every=1ms", secure.URL + "/readyz"}, exitFailed, "x509"},
		{"no certificate in the file", []string{file("none.pem", []byte("none")), secure.URL}, exitUsage, "--certificate"},
		{"nothing to ask", nil, exitUsage, "at least one URL"},
		{"no URL", []string{"readyz"}, exitUsage, "http:// or https://"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var out bytes.Buffer
			code := run(t.Context(), append([]string{"probe"}, tt.args...), surroundings{getenv: from(nil), stdout: &out, stderr: &out})
			require.Equal(t, tt.code, code, out.String())
			require.Contains(t, out.String(), tt.says)
		})
	}
}
