package rest_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// asked sends a request whose answer nobody unfolds on the way.
func (w *world) asked(method, path, encodings string, headers ...string) (*http.Response, []byte) {
	w.t.Helper()
	r, err := http.NewRequestWithContext(w.t.Context(), method, w.server.URL+path, nil)
	require.NoError(w.t, err)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	r.Header.Set("Accept-Encoding", encodings)
	a, err := w.server.Client().Do(r)
	require.NoError(w.t, err)
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	require.NoError(w.t, err)
	return a, body
}

// RFC 9110 section 12.5.3: only who asks for gzip gets it, and q=0 is a refusal. What is
// unfolded is what a client without it gets, and caches are told.
func TestAnswersAreCompressed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	plain, want := w.asked(http.MethodGet, "/fhir/metadata", "identity")
	require.Empty(t, plain.Header.Get("Content-Encoding"))
	require.Greater(t, len(want), 10_000)
	for encodings, compressed := range map[string]bool{
		"gzip": true, "zstd, gzip": true, "zstd": false, "br, gzip;q=0.5": true, "*;q=0.1, gzip": true, "deflate, gzip;q=0": false, "br": false, "": false,
	} {
		a, body := w.asked(http.MethodGet, "/fhir/metadata", encodings)
		require.Equal(t, compressed, a.Header.Get("Content-Encoding") == "gzip", encodings)
		require.Contains(t, a.Header.Values("Vary"), "Accept-Encoding", encodings)
		require.Equal(t, plain.Header.Get("Content-Type"), a.Header.Get("Content-Type"))
		if !compressed {
			require.Equal(t, want, body, encodings)
			continue
		}
		require.Less(t, len(body), len(want)/4, encodings)
		require.Equal(t, want, unfolded(t, body))
	}
	small, body := w.asked(http.MethodGet, "/fhir/Task/t1", "gzip")
	require.Empty(t, small.Header.Get("Content-Encoding"), "what is small stays as it is: %d bytes", len(body))

	same, body := w.asked(http.MethodGet, "/fhir/Task/t1", "gzip", "If-None-Match", small.Header.Get("ETag"))
	require.Equal(t, http.StatusNotModified, same.StatusCode)
	require.Empty(t, body)
	head, body := w.asked(http.MethodHead, "/fhir/metadata", "gzip")
	require.Equal(t, http.StatusOK, head.StatusCode)
	require.Empty(t, body)
}

func unfolded(t *testing.T, body []byte) []byte {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(body))
	require.NoError(t, err)
	all, err := io.ReadAll(z)
	require.NoError(t, err)
	return all
}
