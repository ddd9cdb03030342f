package rest_test

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart/smarttest"
)

// A client that asks too often is told to wait (RFC 6585 section 4), and no other is; an
// entry of a Bundle counts like a request.
func TestEachClientHasItsOwnRate(t *testing.T) {
	t.Parallel()
	w := newSecured(t, func(o *rest.Options) { o.RequestsPerSecond = 1 })
	busy, calm := w.as(smarttest.Claims{"client_id": "busy"}), w.as(smarttest.Claims{"client_id": "calm"})
	entries := make([]string, 195)
	for i := range entries {
		entries[i] = entryOf("GET", "Task/x", "")
	}
	bulk := bundleOf("batch", entries...)
	require.Equal(t, 200, w.send(http.MethodPost, "/fhir", bulk, busy).StatusCode, "a Bundle at once, after quiet")
	a := w.send(http.MethodPost, "/fhir", bulk, busy)
	a.refused(t, 429, outcome.CodeThrottled)
	require.NotEmpty(t, a.Header.Get("Retry-After"))
	sound(t, a.text)
	for range 20 {
		a = w.get("/fhir/Task", busy)
	}
	a.refused(t, 429, outcome.CodeThrottled)
	require.Equal(t, 200, w.get("/fhir/Task", calm).StatusCode)
	require.Equal(t, 200, w.get("/fhir/metadata", busy).StatusCode)
	noted := w.audit.taken()
	require.Equal(t, "throttled", noted[len(noted)-2].Why)
	require.True(t, noted[len(noted)-2].Alert)
}

// Nothing that is compressed is unfolded (CWE-409): a gigabyte in a megabyte is refused
// like a kilobyte in a hundred bytes, before anything is read of it.
func TestCompressedBodiesAreNotRead(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	zeros := make([]byte, 1<<20)
	for range 512 {
		_, err := z.Write(zeros)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	started := time.Now()
	for _, coding := range []string{"gzip", "deflate", "br", "gzip, gzip", "x"} {
		for _, path := range []string{"/fhir/Observation", "/fhir", "/fhir/$process-message"} {
			a := w.send(http.MethodPost, path, bomb.String(), "Content-Encoding: "+coding, w.as(nil))
			a.refused(t, 415, outcome.CodeNotSupported)
			require.Equal(t, "identity", a.Header.Get("Accept-Encoding"), "RFC 9110 section 15.5.16")
			sound(t, a.text)
		}
	}
	require.Less(t, time.Since(started), 20*time.Second)
	a := w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), "Content-Encoding: identity", w.as(nil))
	require.Equal(t, 201, a.StatusCode, a.text)
}

// Too long, too deep, too many: refused in words that are R4.
func TestLargeBodiesAreRefused(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	many := bundleOf("batch", strings.TrimSuffix(strings.Repeat(entryOf("GET", "Task/x", "")+",", 201), ","))
	for name, tt := range map[string]struct {
		path, body string
		status     int
		code       outcome.Code
	}{
		"long":             {"/fhir/Observation", `{"a":"` + strings.Repeat("x", 1<<20) + `"}`, 413, outcome.CodeTooLong},
		"a long message":   {"/fhir/$process-message", `{"a":"` + strings.Repeat("x", 600<<10) + `"}`, 413, outcome.CodeTooLong},
		"deep":             {"/fhir/Observation", strings.Repeat(`{"a":`, 100) + "1" + strings.Repeat("}", 100), 403, outcome.CodeTooCostly},
		"a deep message":   {"/fhir/$process-message", strings.Repeat("[", 10_000) + strings.Repeat("]", 10_000), 403, outcome.CodeTooCostly},
		"many entries":     {"/fhir", many, 403, outcome.CodeTooCostly},
		"a deep batch":     {"/fhir", strings.Repeat("[", 10_000), 403, outcome.CodeTooCostly},
		"many values":      {"/fhir/Task/_search", "status=" + strings.Repeat("a,", 600) + "a", 403, outcome.CodeTooCostly},
		"a page too large": {"/fhir/Task/_search", "_count=100000", 200, ""},
	} {
		t.Run(name, func(t *testing.T) {
			kind := "Content-Type: application/fhir+json"
			if strings.HasSuffix(tt.path, "_search") {
				kind = "Content-Type: application/x-www-form-urlencoded"
			}
			a := w.send(http.MethodPost, tt.path, tt.body, kind, w.as(nil))
			if tt.status == 200 {
				require.Equal(t, 200, a.StatusCode, a.text)
				require.Contains(t, a.link("self"), "_count=200", "cut to the largest page")
				return
			}
			a.refused(t, tt.status, tt.code)
			sound(t, a.text)
		})
	}
}

// A narrative with active content is refused: whoever shows it would run it
// (hl7.org/fhir/R4/narrative.html#xhtml, txt-1; hl7.org/fhir/R4/security.html#narrative).
func TestNarrativeWithScriptIsRefused(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	const open = `<div xmlns=\"http://www.w3.org/1999/xhtml\">`
	for name, div := range map[string]string{
		"script":         open + `<script>alert(1)</script></div>`,
		"event handler":  open + `<p onclick=\"alert(1)\">x</p></div>`,
		"script address": open + `<a href=\"javascript:alert(1)\">x</a></div>`,
		"frame":          open + `<iframe src=\"https://evil.example\"/></div>`,
		"object":         open + `<object data=\"x\"/></div>`,
		"form":           open + `<form action=\"https://evil.example\"/></div>`,
		"an entity":      `<!DOCTYPE d [<!ENTITY x SYSTEM \"file:///etc/passwd\">]>` + open + `&x;</div>`,
	} {
		t.Run(name, func(t *testing.T) {
			body := strings.Replace(findingOf("anna"), `"status"`, `"text":{"status":"generated","div":"`+div+`"},"status"`, 1)
			a := w.send(http.MethodPost, "/fhir/Observation", body, w.as(nil))
			require.Equal(t, 400, a.StatusCode, a.text)
			require.Contains(t, a.text, "Observation.text")
			sound(t, a.text)
		})
	}
	plain := strings.Replace(findingOf("anna"), `"status"`, `"text":{"status":"generated","div":"`+open+`<p>dry</p></div>"},"status"`, 1)
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/Observation", plain, w.as(nil)).StatusCode)
}

// What clients discover: the members that SMART App Launch 2.2 requires
// (hl7.org/fhir/smart-app-launch/conformance.html), as JSON whatever is asked for.
func TestSmartConfiguration(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	a := w.get("/fhir/.well-known/smart-configuration", "Accept: application/fhir+xml")
	require.Equal(t, 200, a.StatusCode)
	require.Equal(t, "application/json", a.Header.Get("Content-Type"))
	require.Equal(t, "https://issuer.example/token", a.doc.Str("token_endpoint"))
	list := func(name string) (out []string) {
		for n := range a.doc.Get(name).Items() {
			out = append(out, n.Text)
		}
		return out
	}
	require.Equal(t, []string{"client_credentials"}, list("grant_types_supported"))
	require.Equal(t, []string{"S256"}, list("code_challenge_methods_supported"))
	require.Equal(t, []string{"private_key_jwt"}, list("token_endpoint_auth_methods_supported"))
	require.Equal(t, []string{"RS384", "ES384"}, list("token_endpoint_auth_signing_alg_values_supported"))
	require.Subset(t, list("capabilities"), []string{"client-confidential-asymmetric", "permission-v1", "permission-v2"})
	for _, scope := range []string{"system/Task.r", "system/Task.s", "system/Task.u", "system/AuditEvent.s", "system/Procedure.c"} {
		require.Contains(t, list("scopes_supported"), scope)
	}
	metadata := w.get("/fhir/metadata")
	sound(t, metadata.text)
	security := metadata.doc.Get("rest").At(0).Get("security")
	require.Equal(t, "SMART-on-FHIR", security.Get("service").At(0).Get("coding").At(0).Str("code"))
	require.Contains(t, w.get("/fhir/metadata").text, "https://issuer.example/token")
	newWorld(t).get("/fhir/.well-known/smart-configuration").refused(t, 404, outcome.CodeNotFound)
}
