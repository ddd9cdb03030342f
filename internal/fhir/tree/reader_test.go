package tree_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/tree"
)

// TestStringsAreReadEightBytesAtATime holds the quick reading of strings to that of the
// standard library, for every byte at every place.
func TestStringsAreReadEightBytesAtATime(t *testing.T) {
	t.Parallel()
	for length := range 19 {
		for at := range length {
			for c := range 256 {
				b := []byte(`["` + strings.Repeat("a", length) + `"]`)
				b[2+at] = byte(c)
				doc, _ := tree.Parse(b)
				var want []string
				fits := c < 0x80 && json.Unmarshal(b, &want) == nil // the standard library mends what is not UTF-8
				require.Equal(t, fits, doc != nil, "%q", b)
				if fits {
					require.Equal(t, want[0], doc.Root.At(0).Text)
				}
			}
		}
	}
}

// TestNamesTwice puts the same name at two of many places.
func TestNamesTwice(t *testing.T) {
	t.Parallel()
	names := strings.Fields("id meta text code coding system value unit status subject identifier use type period start end")
	for i := range names {
		for j := range names {
			members := make([]string, len(names))
			for k, name := range names {
				if k == j {
					name = names[i]
				}
				members[k] = `"` + name + `":1`
			}
			_, issues := tree.Parse([]byte("{" + strings.Join(members, ",") + "}"))
			require.Equal(t, i != j, len(issues) == 1, "%s in the place of %s", names[i], names[j])
		}
	}
}

// TestReaderIsAParser reads texts of very different sizes one after another.
func TestReaderIsAParser(t *testing.T) {
	t.Parallel()
	long := `{"a":[` + strings.Repeat(`{"b":"c"},`, 20_000) + `1]}`
	var r tree.Reader
	for _, body := range []string{patient, `{}`, long, patient, `{`, `{"a":null,"a":1}`, patient} {
		want, wantIssues := tree.Parse([]byte(body))
		got, issues := r.Read([]byte(body), tree.Limits{})
		require.Equal(t, wantIssues, issues)
		require.Equal(t, want == nil, got == nil)
		if want != nil {
			require.True(t, sameTree(want.Root, got.Root))
			require.Equal(t, want.Raw(want.Root), got.Raw(got.Root))
		}
		r.Release()
	}
}

// TestTextsOfAReaderStay keeps the texts of a document while others are read, and while
// its source is written over.
func TestTextsOfAReaderStay(t *testing.T) {
	t.Parallel()
	var r tree.Reader
	doc, _ := tree.Parse([]byte(patient))
	want := textsOf(doc.Root, nil)
	body := []byte(patient)
	doc, _ = r.Read(body, tree.Limits{})
	got := textsOf(doc.Root, nil)
	for i := range body {
		body[i] = 'x'
	}
	for i := range 2000 {
		_, issues := r.Read([]byte(`{"other`+strings.Repeat("e", i%70)+`":"`+strings.Repeat("y", i)+`\n"}`), tree.Limits{})
		require.Empty(t, issues)
	}
	require.Equal(t, want, got)
}

func textsOf(n *tree.Node, into []string) []string {
	into = append(into, n.Name, n.Text)
	for c := n.First(); c != nil; c = c.Next() {
		into = textsOf(c, into)
	}
	return into
}

func sameTree(a, b *tree.Node) bool {
	if a == nil || b == nil {
		return a == b
	}
	if a.Name != b.Name || a.Text != b.Text || a.Kind != b.Kind || a.Len() != b.Len() {
		return false
	}
	x, y := a.First(), b.First()
	for x != nil && sameTree(x, y) {
		x, y = x.Next(), y.Next()
	}
	return x == nil && y == nil
}
