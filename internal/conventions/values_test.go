package conventions

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

var updateValues = flag.Bool("update", false, "rewrite the golden descriptions of the chart's values")

const (
	valuesFile = chart + "values.yaml"
	schemaFile = chart + "values.schema.json"
	installDoc = "docs/install.md"
)

// valuesTable is where the table of values stands in docs/install.md.
var valuesTable = regexp.MustCompile(`(?s)(<!-- made: values -->\n).*?(<!-- end -->)`)

// chartValues: each value of the chart has a comment, a place in a schema that allows nothing
// else, and a row in docs/install.md; the comment is the description in both.
func chartValues(t *testing.T, tree fs.FS) []string {
	t.Helper()
	made := describeValues(t, tree)
	faults := made.faults
	for p, want := range made.files(t, tree) {
		got, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		if string(got) != want {
			faults = append(faults, p+": does not describe the values as "+valuesFile+" does; make golden")
		}
	}
	return faults
}

// described is the schema with its descriptions, and the rows of the table.
type described struct {
	schema *yaml.Node
	rows   []string
	faults []string
}

func describeValues(t *testing.T, tree fs.FS) *described {
	t.Helper()
	values := yamlFile(t, tree, valuesFile)
	d := &described{schema: yamlFile(t, tree, schemaFile)}
	d.walk("", values, d.schema)
	return d
}

// files are the two that are written, by their paths.
func (d *described) files(t *testing.T, tree fs.FS) map[string]string {
	t.Helper()
	page, err := fs.ReadFile(tree, installDoc)
	require.NoError(t, err)
	require.Regexp(t, valuesTable, string(page))
	table := "| value | default | meaning |\n|---|---|---|\n" + strings.Join(d.rows, "")
	return map[string]string{
		schemaFile: jsonText(d.schema, "") + "\n",
		installDoc: valuesTable.ReplaceAllStringFunc(string(page), func(string) string {
			return "<!-- made: values -->\n" + table + "<!-- end -->"
		}),
	}
}

// walk describes the values of one mapping. Where the schema lists no properties, a value is
// the site's own from there on.
func (d *described) walk(path string, values, schema *yaml.Node) {
	if allowed := field(schema, "additionalProperties"); allowed == nil || allowed.Value != "false" {
		d.fault(path, "the schema allows other values")
	}
	properties := field(schema, "properties")
	for i := 0; i < len(values.Content); i += 2 {
		key, value := values.Content[i], values.Content[i+1]
		name := strings.TrimPrefix(path+"."+key.Value, ".")
		comment := commentOf(key)
		property := field(properties, key.Value)
		switch {
		case comment == "":
			d.fault(name, "no comment")
		case property == nil:
			d.fault(name, "not in the schema")
		default:
			setDescription(property, comment)
			if field(property, "properties") != nil && value.Kind == yaml.MappingNode && len(value.Content) > 0 {
				d.walk(name, value, property)
				continue
			}
			d.rows = append(d.rows, fmt.Sprintf("| `%s` | %s | %s |\n", name, standard(value), strings.ReplaceAll(comment, "|", `\|`)))
		}
	}
	for i := 0; i < len(properties.Content); i += 2 {
		name := properties.Content[i].Value
		if field(values, name) == nil && strings.TrimPrefix(path+"."+name, ".") != "global" { // Helm's own
			d.fault(path+"."+name, "no value has it")
		}
	}
}

func (d *described) fault(name, why string) {
	d.faults = append(d.faults, fmt.Sprintf("%s: %s: %s", valuesFile, strings.TrimPrefix(name, "."), why))
}

func yamlFile(t *testing.T, tree fs.FS, p string) *yaml.Node {
	t.Helper()
	body, err := fs.ReadFile(tree, p)
	require.NoError(t, err)
	var document yaml.Node
	require.NoError(t, yaml.Unmarshal(body, &document))
	require.Len(t, document.Content, 1, p)
	return document.Content[0]
}

// field gives the value of a key, nil if the mapping has none.
func field(mapping *yaml.Node, key string) *yaml.Node {
	if mapping == nil {
		return nil
	}
	for i := 0; i+1 < len(mapping.Content); i += 2 {
		if mapping.Content[i].Value == key {
			return mapping.Content[i+1]
		}
	}
	return nil
}

// commentOf is the text above a key from its "# --" on, in one line.
func commentOf(key *yaml.Node) string {
	_, text, found := strings.Cut("\n"+key.HeadComment, "\n# --")
	if !found {
		return ""
	}
	return strings.Join(strings.Fields(strings.ReplaceAll(text, "\n#", "\n")), " ")
}

func setDescription(property *yaml.Node, text string) {
	if old := field(property, "description"); old != nil {
		old.SetString(text)
		return
	}
	var key, value yaml.Node
	key.SetString("description")
	value.SetString(text)
	property.Content = append([]*yaml.Node{&key, &value}, property.Content...)
}

// standard is a value's default in a cell of a table.
func standard(value *yaml.Node) string {
	if value.Value == "" && len(value.Content) == 0 && value.Kind == yaml.ScalarNode {
		return "–"
	}
	return "`" + jsonText(value, "") + "`"
}

// jsonText writes a node as JSON: on one line where it is short.
func jsonText(n *yaml.Node, indent string) string {
	parts := []string{}
	if n.Kind == yaml.MappingNode {
		for i := 0; i < len(n.Content); i += 2 {
			parts = append(parts, quote(n.Content[i].Value)+": "+jsonText(n.Content[i+1], indent+"  "))
		}
		return brackets("{", "}", parts, indent)
	}
	if n.Kind == yaml.SequenceNode {
		for _, item := range n.Content {
			parts = append(parts, jsonText(item, indent+"  "))
		}
		return brackets("[", "]", parts, indent)
	}
	if n.ShortTag() == "!!str" {
		return quote(n.Value)
	}
	return n.Value
}

func brackets(left, right string, parts []string, indent string) string {
	short := left + strings.Join(parts, ", ") + right
	if len(short) <= 100 && !strings.Contains(short, "\n") {
		return short
	}
	return left + "\n" + indent + "  " + strings.Join(parts, ",\n"+indent+"  ") + "\n" + indent + right
}

func quote(text string) string {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	if err := e.Encode(text); err != nil {
		panic(err) // a string always has a JSON form
	}
	return strings.TrimSuffix(out.String(), "\n")
}

func TestChartValues(t *testing.T) {
	if *updateValues {
		tree := os.DirFS("../..")
		for p, text := range describeValues(t, tree).files(t, tree) {
			require.NoError(t, os.WriteFile(filepath.Join("../..", p), []byte(text), 0o600))
		}
	}
	holds(t, chartValues)
	values := text("# A chart.", "", "# -- A part.", "part:", "  # -- How many,", "  # in all.", "  count: 2")
	schema := func(count string) *fstest.MapFile {
		return text(`{` + "\n" + `  "additionalProperties": false,` + "\n" + `  "properties": {` + "\n" + `    "part": {` + "\n" +
			`      "description": "A part.",` + "\n" + `      "additionalProperties": false,` + "\n" +
			`      "properties": {` + count + `}` + "\n" + `    }` + "\n" + `  }` + "\n" + `}`)
	}
	page := func(rows ...string) *fstest.MapFile {
		return text(append(append([]string{"<!-- made: values -->", "| value | default | meaning |", "|---|---|---|"}, rows...), "<!-- end -->")...)
	}
	row, count := "| `part.count` | `2` | How many, in all. |", `"count": {"description": "How many, in all.", "type": "integer"}`
	judges(t, chartValues, fstest.MapFS{valuesFile: values, schemaFile: schema(count), installDoc: page(row)}, map[string]fstest.MapFS{
		"a schema with other words": {
			valuesFile: values, installDoc: page(row), schemaFile: schema(`"count": {"description": "How much.", "type": "integer"}`),
		},
		"a page with other words": {valuesFile: values, schemaFile: schema(count), installDoc: page("| `part.count` | `3` | How many, in all. |")},
		"a value without a comment": {
			valuesFile: text("# -- A part.", "part:", "  count: 2"), schemaFile: schema(count), installDoc: page(),
		},
		"a value that is not in the schema": {
			valuesFile: text(string(values.Data)+"  # -- How large.", "  size: 3"), schemaFile: schema(count), installDoc: page(row),
		},
		"a property that has no value": {
			valuesFile: values, installDoc: page(row), schemaFile: schema(`"size": {"type": "integer"}, ` + count),
		},
		"a schema that takes anything": {
			valuesFile: values, installDoc: page(row),
			schemaFile: &fstest.MapFile{Data: bytes.Replace(schema(count).Data, []byte("false"), []byte("true"), 1)},
		},
	})
}
