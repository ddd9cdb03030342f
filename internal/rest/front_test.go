package rest_test

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
)

// browser is what Firefox 128 and Chrome 126 send, from memory.
const browser = "Accept: text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,*/*;q=0.8"

// TestABrowserIsToldWhatThisIs: without a token; the page is well-formed, says version and
// cautions, loads nothing and is held to it by its policy (CSP Level 3, w3.org/TR/CSP3), and
// each of its links answers without a token, too.
func TestABrowserIsToldWhatThisIs(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	for _, path := range []string{"/", "/interface"} {
		a := w.get(path, browser)
		require.Equal(t, 200, a.StatusCode, a.text)
		require.Equal(t, "text/html; charset=utf-8", a.Header.Get("Content-Type"))
		style := regexp.MustCompile(`(?s)<style>(.*)</style>`).FindStringSubmatch(a.text)[1]
		sum := sha256.Sum256([]byte(style))
		require.Equal(t, "default-src 'none'; style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+
			"'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'", a.Header.Get("Content-Security-Policy"))
		require.Equal(t, "nosniff", a.Header.Get("X-Content-Type-Options"))
		links := 0
		for d := xml.NewDecoder(strings.NewReader(a.text)); ; {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			require.NoError(t, err)
			e, _ := token.(xml.StartElement)
			require.NotContains(t, []string{"script", "img", "link", "iframe", "form", "object"}, e.Name.Local)
			for _, attribute := range e.Attr {
				require.NotContains(t, []string{"src", "style"}, attribute.Name.Local)
				require.False(t, strings.HasPrefix(attribute.Name.Local, "on"), attribute.Name.Local)
				if attribute.Name.Local == "href" {
					require.NotContains(t, attribute.Value, "//", "relative, so that it is right behind every proxy")
					require.Equal(t, 200, w.get("/"+strings.TrimPrefix(attribute.Value, "./"), browserFor(attribute.Value)).StatusCode, attribute.Value)
					links++
				}
			}
		}
		require.GreaterOrEqual(t, links, 3)
	}
	page := w.get("/", browser).text
	for _, words := range []string{"never decides treatment", "No practising clinician", "Version", "fhir/metadata", "openapi.yaml", "docs/api.md", "smart-configuration"} {
		require.Contains(t, page, words)
	}
	require.NotContains(t, page, w.issuer.URL, "where tokens come from is told where clients look for it")
	require.Empty(t, w.audit.taken(), "nobody's record was asked for")
	table := w.get("/interface", browser).text
	for _, r := range rest.Routes() {
		require.Contains(t, table, "<code>"+r.Methods[0]+" "+r.Address()+"</code>")
	}
}

// browserFor leaves Accept as it is for pages; metadata is JSON alone.
func browserFor(link string) string {
	if strings.HasPrefix(link, "fhir/") {
		return "Accept: application/fhir+json"
	}
	return browser
}

// TestAllOthersGetAtTheRootWhatTheyGetAnywhere: byte for byte but for the request's id.
func TestAllOthersGetAtTheRootWhatTheyGetAnywhere(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	for _, accept := range []string{"*/*", "application/json", "application/fhir+json", "text/html;q=0.5, application/fhir+json", "text/html;q=0, */*"} {
		a := w.get("/", "Accept: "+accept)
		a.refused(t, 401, outcome.CodeLogin)
		require.Equal(t, w.get("/nothing", "Accept: "+accept).text, a.text, accept)
		a = w.get("/", "Accept: "+accept, w.as(nil))
		a.refused(t, 404, outcome.CodeNotFound)
		require.Equal(t, w.get("/nothing", "Accept: "+accept, w.as(nil)).text, a.text, accept)
	}
	w.get("/docs/nothing.md").refused(t, 404, outcome.CodeNotFound)
	w.get("/docs/..%2fREADME.md").refused(t, 404, outcome.CodeNotFound)
}
