package main

import (
	"crypto/tls"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/store/postgres"
)

// The real program behind SMART and client certificates, on PostgreSQL: who has neither
// is let in nowhere but to the probes; what was read is in the audit trail when the
// process has ended.
func TestServeBehindSmartAndCertificates(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	issuer, a, dir := smarttest.NewIssuer(t), newAuthority(t), t.TempDir()
	c := a.files(dir, 7)
	keys := filepath.Join(dir, "jwks.json")
	require.NoError(t, os.WriteFile(keys, issuer.Keys(), 0o600))
	env := append(s.env(), "FHIRSVC_AUTHENTICATION=smart", "FHIRSVC_ISSUER="+issuer.URL, "FHIRSVC_AUDIENCE="+smarttest.Audience,
		"FHIRSVC_JWKS_FILE="+keys, "FHIRSVC_TOKEN_URL=https://issuer.example/token",
		"FHIRSVC_TLS_CERT="+c.TLSCert, "FHIRSVC_TLS_KEY="+c.TLSKey, "FHIRSVC_TLS_CLIENT_CA="+c.TLSClientCA)
	p := launch(t, env, "serve")
	address := ""
	require.Eventually(t, func() bool {
		_, rest, found := strings.Cut(p.stderr.String(), `"address":"`)
		address, _, _ = strings.Cut(rest, `"`)
		return found || p.hasEnded()
	}, eventually, tick)
	require.False(t, p.hasEnded(), p.stderr)
	require.NotContains(t, p.stderr.String(), "no authentication")

	cert, key := a.issue(21)
	own, err := tls.X509KeyPair(cert, key)
	require.NoError(t, err)
	stranger, strangerKey := newAuthority(t).issue(22)
	others, err := tls.X509KeyPair(stranger, strangerKey)
	require.NoError(t, err)
	get := func(path, token string, certificates ...tls.Certificate) (int, string, error) {
		client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{
			TLSClientConfig: &tls.Config{RootCAs: a.pool(), Certificates: certificates}, DisableKeepAlives: true,
		}}
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://"+address+path, nil)
		require.NoError(t, err)
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		answer, err := client.Do(r)
		if err != nil {
			return 0, "", err
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		return answer.StatusCode, string(body), err
	}
	token := issuer.Token(nil)
	for _, tt := range []struct {
		name, path, token string
		certificates      []tls.Certificate
		want              int
	}{
		{"a probe", "/livez", "", nil, 200},
		{"a probe of readiness", "/readyz", "", nil, 200},
		{"no certificate", "/fhir/Task", token, nil, 401},
		{"discovery without one", "/fhir/metadata", "", nil, 401},
		{"no token", "/fhir/Task", "", []tls.Certificate{own}, 401},
		{"both", "/fhir/Task", token, []tls.Certificate{own}, 200},
		{"discovery", "/fhir/.well-known/smart-configuration", "", []tls.Certificate{own}, 200},
	} {
		status, body, err := get(tt.path, tt.token, tt.certificates...)
		require.NoError(t, err, tt.name)
		require.Equal(t, tt.want, status, "%s: %s", tt.name, body)
	}
	_, _, err = get("/fhir/Task", token, others)
	require.Error(t, err, "a certificate of another authority ends the handshake")

	p.stop(t)
	require.Equal(t, map[string]int{"0 search-type ": 1, "4 search-type login": 2, "4 other login": 1}, trailOf(t, s.database))
}

// trailOf counts the accesses recorded in a database, by outcome, interaction and reason.
func trailOf(t *testing.T, database string) map[string]int {
	t.Helper()
	st, err := postgres.Open(t.Context(), database)
	require.NoError(t, err)
	defer st.Close()
	page, err := st.Search(t.Context(), search.Query{Type: "AuditEvent", Count: 200})
	require.NoError(t, err)
	counts := map[string]int{}
	for _, found := range page.Matches {
		var r struct {
			Outcome, OutcomeDesc string
			Subtype              []struct{ Code string }
			Entity               []struct {
				Detail []struct{ ValueString string }
			}
		}
		require.NoError(t, json.Unmarshal(found.Body, &r))
		times := 1 // refusals of one kind are one record
		for _, e := range r.Entity {
			for _, d := range e.Detail {
				times, err = strconv.Atoi(d.ValueString)
				require.NoError(t, err)
			}
		}
		kind := "other"
		if len(r.Subtype) > 0 {
			kind = r.Subtype[0].Code
		}
		counts[r.Outcome+" "+kind+" "+r.OutcomeDesc] += times
	}
	return counts
}
