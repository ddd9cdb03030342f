package episode

import (
	"net/url"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir/search"
)

// A plan's instantiatesCanonical and the CapabilityStatement's search parameters lead to
// resources that are served (R4 canonical, hl7.org/fhir/R4/references.html#canonical).
func TestCanonicalsLeadToResources(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	var bodies [][]byte
	for _, body := range api.Conformance() {
		bodies = append(bodies, body)
	}
	b.mustPublish(bodies)
	for _, c := range []struct{ kind, url, version string }{
		{"PlanDefinition", b.loaded(b.theEpisode()).protocol.URL, b.loaded(b.theEpisode()).protocol.Version},
		{"SearchParameter", "https://fhirsvc.example/fhir/SearchParameter/task-due-date", ""},
		{"CodeSystem", "https://fhirsvc.example/fhir/CodeSystem/radial-compression", ""},
	} {
		params := url.Values{"url": {c.url}}
		if c.version != "" {
			params.Set("version", c.version)
		}
		q, _, issues := search.Parse(c.kind, params, search.Options{})
		require.Empty(t, issues)
		page, err := b.Store.Search(t.Context(), q)
		require.NoError(t, err)
		require.Len(t, page.Matches, 1, "%s %s", c.kind, c.url)
	}
}

func (b *bench) mustPublish(bodies [][]byte) {
	b.t.Helper()
	r, err := NewRelease(nil, bodies, false)
	require.NoError(b.t, err)
	require.NoError(b.t, b.publish(b.t.Context(), r.published))
}

func TestPublishNamesEveryFault(t *testing.T) {
	_, err := NewRelease(nil, [][]byte{[]byte(`not JSON`), []byte(`{"url":"a","url":"b"}`)}, false)
	require.ErrorContains(t, err, "this is not JSON")
	require.ErrorContains(t, err, "url")

	b := newBench(t, nil)
	r, err := NewRelease(nil, [][]byte{
		[]byte(`{"resourceType":"CodeSystem","url":"https://x.example/a"}`), []byte(`{"resourceType":"CodeSystem","url":"https://x.example/b"}`),
	}, false)
	require.NoError(t, err)
	err = b.publish(t.Context(), r.published)
	require.ErrorContains(t, err, "https://x.example/a")
	require.ErrorContains(t, err, "https://x.example/b")
}

func TestPublishOnce(t *testing.T) {
	b := newBench(t, nil)
	n := len(b.all("PlanDefinition"))
	require.NoError(t, b.publish(t.Context(), b.Release.published))
	require.Len(t, b.all("PlanDefinition"), n)
	for _, r := range b.all("PlanDefinition") {
		require.EqualValues(t, 1, r.Version)
	}
}
