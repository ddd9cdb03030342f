package tree_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

const patient = `{
  "resourceType": "Patient",
  "name": [{"family": "Obén\u00e9 \ud83d\ude00", "given": ["Ida", null], "_given": [null, {"id": "g2"}]}],
  "_birthDate": {"extension": [{"url": "x"}]},
  "multipleBirthInteger": 2,
  "extension": [{"url": "y", "valueDecimal": 36.80}]
}`

func TestParseKeepsWhatWasWritten(t *testing.T) {
	t.Parallel()
	doc, issues := tree.Parse([]byte(patient))
	require.Empty(t, issues)
	root := doc.Root

	name := root.Get("name").At(0)
	require.Equal(t, "Obéné 😀", name.Str("family"))
	require.Equal(t, 2, name.Get("given").Len())
	require.True(t, name.Get("given").At(1).Is(tree.Null))
	require.Equal(t, "g2", name.Companion("given").At(1).Str("id"))

	decimal := root.Get("extension").At(0).Get("valueDecimal")
	require.Equal(t, "36.80", decimal.Text, "R4 decimal keeps its precision, hl7.org/fhir/R4/datatypes.html#decimal")
	require.Equal(t, "36.80", doc.Raw(decimal))
	require.Equal(t, "Patient.extension[0].valueDecimal", doc.Expression(decimal))
	line, col := doc.Position(decimal)
	require.Equal(t, [2]int{6, 46}, [2]int{line, col})

	var order []string
	for m := range root.Members() {
		order = append(order, m.Name)
	}
	require.Equal(t, []string{"resourceType", "name", "_birthDate", "multipleBirthInteger", "extension"}, order)
}

func TestLocatorAgreesWithPosition(t *testing.T) {
	t.Parallel()
	doc, _ := tree.Parse([]byte(patient))
	locate := doc.Locator()
	var visit func(n *tree.Node)
	visit = func(n *tree.Node) {
		line, col := doc.Position(n)
		gotLine, gotCol := locate(n)
		require.Equal(t, [2]int{line, col}, [2]int{gotLine, gotCol})
		for c := n.First(); c != nil; c = c.Next() {
			visit(c)
		}
		gotLine, gotCol = locate(n) // backwards
		require.Equal(t, [2]int{line, col}, [2]int{gotLine, gotCol})
	}
	visit(doc.Root)
}

func TestAbsentNodesAreSafe(t *testing.T) {
	t.Parallel()
	var n *tree.Node
	require.Nil(t, n.Get("a").At(3).First().Next().Companion("b"))
	require.Equal(t, "", n.Str("a"))
	require.Equal(t, 0, n.Len())
	require.True(t, n.Is(tree.Absent))
	for range n.Items() {
		t.Fatal("a nil node has no items")
	}
}

// The rules are those of hl7.org/fhir/R4/json.html and RFC 8259.
func TestParseFaults(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, body string
		readable   bool
		at         string
		details    string
		line, col  int
	}{
		{"duplicate name", "{\"a\": 1,\n \"a\": 2}", true, "Resource.a", `the member "a" stands here twice`, 2, 7},
		{"duplicate by escape", `{"a":1,"\u0061":2}`, true, "Resource.a", "twice", 1, 17},
		{"null member", `{"resourceType":"Task","status":null}`, true, "Task.status", "null is not allowed", 1, 33},
		{"null among objects", `{"name":[{"a":1},null]}`, true, "Resource.name[1]", "null is not allowed", 1, 18},
		{"empty object", `{"a":{}}`, true, "Resource.a", "object is empty", 1, 6},
		{"empty array", `{"a":[]}`, true, "Resource.a", "array is empty", 1, 6},
		{"invalid UTF-8", "{\"a\":\"x\xff\"}", false, "", "not valid UTF-8", 1, 8},
		{"invalid UTF-8 after an escape", "{\"a\":\"\\n\xc0\x80\"}", false, "", "not valid UTF-8", 1, 9},
		{"lone surrogate", `{"a":"\ud83d"}`, false, "", "surrogate", 1, 7},
		{"raw control character", "{\"a\":\"\x01\"}", false, "", "control character", 1, 7},
		{"leading zero", `{"a":01}`, false, "", "not a JSON number", 1, 6},
		{"bare point", `{"a":1.}`, false, "", "not a JSON number", 1, 6},
		{"not a number", `{"a":NaN}`, false, "", "this is not JSON", 1, 6},
		{"trailing comma", `{"a":1,}`, false, "", "member name", 1, 8},
		{"missing comma", `{"a":1 "b":2}`, false, "", "comma", 1, 8},
		{"two values", `{"a":1} {}`, false, "", "more text after the end", 1, 9},
		{"cut off", `{"a":`, false, "", "ends too early", 1, 6},
		{"nothing", ``, false, "", "ends too early", 1, 1},
		{"byte order mark", "\ufeff{\"a\":1}", false, "", "this is not JSON", 1, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			doc, issues := tree.Parse([]byte(tt.body))
			require.Len(t, issues, 1)
			require.True(t, outcome.HasErrors(issues))
			require.Equal(t, tt.readable, doc != nil)
			require.Equal(t, tt.at, issues[0].Expression)
			require.Contains(t, issues[0].Details, tt.details)
			require.Equal(t, [2]int{tt.line, tt.col}, [2]int{issues[0].Line, issues[0].Col})
		})
	}
}

func TestDuplicatesInLargeObjects(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString(`{"x":0`)
	for i := range 60 {
		b.WriteString(`,"k` + strings.Repeat("k", i) + `":1`)
	}
	b.WriteString(`,"x":1}`)
	_, issues := tree.Parse([]byte(b.String()))
	require.Len(t, issues, 1)
	require.Contains(t, issues[0].Details, `"x"`)
}

func TestLimits(t *testing.T) {
	t.Parallel()
	deep := strings.Repeat("[", 50) + "1" + strings.Repeat("]", 50)
	tests := []struct {
		name   string
		body   string
		limits tree.Limits
		code   outcome.Code
	}{
		{"bytes", `{"a":1}`, tree.Limits{Bytes: 6}, outcome.CodeTooLong},
		{"depth", deep, tree.Limits{Depth: 49}, outcome.CodeTooCostly},
		{"nodes", `{"a":[1,2,3]}`, tree.Limits{Nodes: 3}, outcome.CodeTooCostly},
		{"issues", `{"a":null,"b":null,"c":1}`, tree.Limits{Issues: 2}, outcome.CodeTooCostly},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			doc, issues := tree.ParseWithin([]byte(tt.body), tt.limits)
			require.Nil(t, doc)
			require.Equal(t, tt.code, issues[len(issues)-1].Code)
			doc, _ = tree.Parse([]byte(tt.body))
			require.NotNil(t, doc, "without the limit it can be read")
		})
	}
}

// FuzzParse holds the parser against encoding/json: what it reads is JSON with the
// same values, and what it refuses as unreadable is not JSON, save for what R4 and
// the limits forbid beyond RFC 8259.
func FuzzParse(f *testing.F) {
	f.Add([]byte(patient))
	f.Add([]byte(`[1e5,-0.0,"\u0000\/",{"a":[true,false]}]`))
	f.Add([]byte("{\"a\":\"\xff\"}"))
	f.Fuzz(func(t *testing.T, body []byte) {
		doc, issues := tree.Parse(body)
		if doc == nil {
			require.NotEmpty(t, issues)
			stricter := issues[0].Code != outcome.CodeInvalid ||
				strings.Contains(issues[0].Details, "UTF-8") || strings.Contains(issues[0].Details, "surrogate")
			require.True(t, stricter || !json.Valid(body), "refused JSON: %s", issues[0].Details)
			return
		}
		require.True(t, json.Valid(body))
		if len(issues) > 0 {
			return
		}
		dec := json.NewDecoder(bytes.NewReader(body))
		dec.UseNumber()
		var want any
		require.NoError(t, dec.Decode(&want))
		require.Equal(t, want, plain(doc.Root))
	})
}

func plain(n *tree.Node) any {
	switch n.Kind {
	case tree.Object:
		m := map[string]any{}
		for c := range n.Members() {
			m[c.Name] = plain(c)
		}
		return m
	case tree.Array:
		a := []any{}
		for c := range n.Items() {
			a = append(a, plain(c))
		}
		return a
	case tree.String:
		return n.Text
	case tree.Number:
		return json.Number(n.Text)
	case tree.Bool:
		return n.Text == "true"
	case tree.Null, tree.Absent:
	}
	return nil
}

func BenchmarkParse(b *testing.B) {
	body := []byte(patient)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if doc, _ := tree.Parse(body); doc == nil {
			b.Fatal("unreadable")
		}
	}
}
