package fhir

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

func rewritten(t *testing.T, body string, w Rewriting) string {
	t.Helper()
	out, err := Rewrite(parsed(t, body), w)
	require.NoError(t, err)
	require.True(t, json.Valid(out), "%s", out)
	return string(out)
}

func version3() Version {
	return Version{ID: "new", Number: 3, At: time.Date(2026, 3, 4, 10, 0, 0, 120000000, time.UTC)}
}

func TestRewrite(t *testing.T) {
	local := func(ref string) string {
		if ref == "urn:uuid:1" {
			return "Patient/7"
		}
		return ref
	}
	tag := Coding{System: "urn:t", Code: "x"}
	const meta = `"meta":{"versionId":"3","lastUpdated":"2026-03-04T10:00:00.12Z"}`
	tests := []struct {
		name, body string
		w          Rewriting
		want       string
	}{
		{"nothing there", `{"resourceType":"Basic"}`, Rewriting{}, `{"resourceType":"Basic","id":"new",` + meta + `}`},
		{"in its place", "{ \"resourceType\" : \"Basic\",\n  \"id\" : \"old\" }", Rewriting{}, "{ \"resourceType\" : \"Basic\",\n  \"id\" : \"new\",\"meta\":{\"versionId\":\"3\",\"lastUpdated\":\"2026-03-04T10:00:00.12Z\"} }"},
		{"id before the type", `{"id":"old","resourceType":"Basic"}`, Rewriting{}, `{"id":"new",` + meta + `,"resourceType":"Basic"}`},
		{"meta keeps its own", `{"resourceType":"Basic","id":"o","meta":{"versionId":"9","profile":["p"],"lastUpdated":"x"}}`, Rewriting{}, `{"resourceType":"Basic","id":"new","meta":{"versionId":"3","profile":["p"],"lastUpdated":"2026-03-04T10:00:00.12Z"}}`},
		{"a tag more", `{"resourceType":"Basic","meta":{"tag":[{"code":"a"}]}}`, Rewriting{Tag: []Coding{tag}}, `{"resourceType":"Basic","id":"new","meta":{"tag":[{"code":"a"},{"system":"urn:t","code":"x"}],"versionId":"3","lastUpdated":"2026-03-04T10:00:00.12Z"}}`},
		{"the same tag once", `{"resourceType":"Basic","meta":{"tag":[{"system":"urn:t","code":"x"}]}}`, Rewriting{Tag: []Coding{tag}}, `{"resourceType":"Basic","id":"new","meta":{"tag":[{"system":"urn:t","code":"x"}],"versionId":"3","lastUpdated":"2026-03-04T10:00:00.12Z"}}`},
		{"a tag less", `{"resourceType":"Basic","meta":{"tag":[{"system":"urn:t","code":"x"}]}}`, Rewriting{Untag: []Coding{tag}}, `{"resourceType":"Basic","id":"new",` + meta + `}`},
		{
			"references", `{"resourceType":"X","id":"o",` + meta + `,"subject":{"reference":"urn:uuid:1"},"a":[{"b":{"reference":"urn:uuid:1"}},{"reference":"urn:uuid:2"}],"reference":"urn:uuid:2"}`,
			Rewriting{References: local},
			`{"resourceType":"X","id":"new",` + meta + `,"subject":{"reference":"Patient/7"},"a":[{"b":{"reference":"Patient/7"}},{"reference":"urn:uuid:2"}],"reference":"urn:uuid:2"}`,
		},
		{
			"a reference that lacks", `{"resourceType":"X","id":"o",` + meta + `,"subject":{"identifier":{"value":"1"}}}`,
			Rewriting{Insert: map[string]string{"subject": "Patient/7"}},
			`{"resourceType":"X","id":"new",` + meta + `,"subject":{"reference":"Patient/7","identifier":{"value":"1"}}}`,
		},
		{
			"numbers, escapes, unknown members and primitive extensions", `{"resourceType":"X","id":"o",` + meta + `,"v":1.30,"w":1E+2,"_v":{"id":"e"},"t":"\u00e9\/","zz":{"q":[null,1]}}`,
			Rewriting{References: local},
			`{"resourceType":"X","id":"new",` + meta + `,"v":1.30,"w":1E+2,"_v":{"id":"e"},"t":"\u00e9\/","zz":{"q":[null,1]}}`,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.w.Version = version3()
			require.Equal(t, tt.want, rewritten(t, tt.body, tt.w))
		})
	}
}

func TestRewriteRefusesWhatIsNoResource(t *testing.T) {
	for _, body := range []string{`[1]`, `"x"`, `{"id":"1"}`} {
		_, err := Rewrite(parsed(t, body), Rewriting{})
		require.Error(t, err)
	}
}

func TestBarePatient(t *testing.T) {
	require.JSONEq(t, `{"resourceType":"Patient","identifier":[{"system":"urn:x","value":"a\"b"}]}`, string(BarePatient(Identifier{System: "urn:x", Value: `a"b`})))
}

// Rewriting twice is rewriting once, and takes nothing but what it is for.
func FuzzRewrite(f *testing.F) {
	for _, body := range []string{
		storedTask, eventOf(rightRadial), `{"id":"a","resourceType":"X"}`,
		`{"resourceType":"X","meta":{"tag":[{"code":"a"}]},"reference":"r","b":{"reference":"\u0072"}}`,
	} {
		f.Add([]byte(body))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		doc, issues := tree.Parse(body)
		if doc == nil || outcome.HasErrors(issues) {
			return
		}
		w := Rewriting{Version: version3(), References: strings.ToUpper, Tag: []Coding{{Code: "t"}}}
		once, err := Rewrite(doc, w)
		if err != nil {
			return
		}
		again, issues := tree.Parse(once)
		require.NotNil(t, again, "%s gave %s", body, once)
		require.False(t, outcome.HasErrors(issues), "%v", issues)
		require.Equal(t, "new", again.Root.Str("id"))
		require.Equal(t, "3", again.Root.Get("meta").Str("versionId"))
		twice, err := Rewrite(again, w)
		require.NoError(t, err)
		require.Equal(t, string(once), string(twice))
		for n := range doc.Root.Members() {
			if n.Name != "id" && n.Name != "meta" && !strings.Contains(doc.Raw(n), "reference") {
				require.Equal(t, doc.Raw(n), again.Raw(again.Root.Get(n.Name)))
			}
		}
	})
}

// The decoders never panic, and always say why they refuse.
func FuzzDecode(f *testing.F) {
	for _, body := range []string{
		eventOf(rightRadial), storedTask, observationOf(SystemLocal, "hand-check", answered(SystemSNOMED, "17621005")),
		`{"resourceType":"Procedure"}`, `{"resourceType":"Bundle","type":"message","entry":[{"resource":{"resourceType":"MessageHeader"}}]}`,
	} {
		f.Add([]byte(body))
	}
	base, _ := tree.Parse([]byte(storedTask))
	f.Fuzz(func(t *testing.T, body []byte) {
		doc, _ := tree.Parse(body)
		if doc == nil {
			return
		}
		for _, plain := range []bool{true, false} {
			n, issues := DecodeNotice(doc, nil, plain)
			require.Equal(t, n == nil, outcome.HasErrors(issues))
		}
		c, issues := DecodeChart(doc, "")
		require.Equal(t, c == nil, outcome.HasErrors(issues))
		q, issues := DecodeRequest(doc, "")
		require.Equal(t, q == nil, outcome.HasErrors(issues))
		u, issues := DecodeTask(base, doc, "")
		require.Equal(t, u == nil, outcome.HasErrors(issues))
	})
}
