package openapi_test

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/openapi"
)

// published is the file that is served to readers, as a reader of OpenAPI takes it: whole
// and with examples that fit.
func published(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromFile("../../../api/openapi.yaml")
	require.NoError(t, err)
	require.NoError(t, doc.Validate(t.Context()))
	return doc
}

func TestTheFileIsWhatTheTablesSay(t *testing.T) {
	t.Parallel()
	text, err := openapi.YAML(openapi.Document(rest.Routes()))
	require.NoError(t, err)
	file, err := os.ReadFile("../../../api/openapi.yaml")
	require.NoError(t, err)
	require.True(t, bytes.Equal(text, file), "run make generate")
}

func TestEveryRouteIsDescribedAndNothingElse(t *testing.T) {
	t.Parallel()
	doc := published(t)
	described := map[string]bool{}
	ids := map[string]bool{}
	for path, item := range doc.Paths.Map() {
		for method, o := range item.Operations() {
			described[method+" "+path] = true
			require.False(t, ids[o.OperationID], o.OperationID)
			ids[o.OperationID] = true
			require.NotEmpty(t, o.Summary)
		}
	}
	routed := map[string]bool{}
	for _, r := range rest.Routes() {
		routed[r.Methods[0]+" "+r.Address()] = true
	}
	require.Equal(t, routed, described)
}

// What is no success is an OperationOutcome, everywhere, and what asks for a second try says
// when (hl7.org/fhir/R4/http.html#2.21.0.4; RFC 9110 section 10.2.3).
func TestEveryRefusalIsAnOperationOutcome(t *testing.T) {
	t.Parallel()
	refusals := 0
	for path, item := range published(t).Paths.Map() {
		for method, o := range item.Operations() {
			for code, r := range o.Responses.Map() {
				if code < "400" {
					continue
				}
				refusals++
				require.Equal(t, "#/components/schemas/OperationOutcome",
					r.Value.Content["application/fhir+json"].Schema.Ref, "%s %s %s", method, path, code)
				require.Equal(t, code == "503" || code == "429", r.Value.Headers["Retry-After"] != nil, code)
			}
		}
	}
	require.Greater(t, refusals, 500)
}

// fits checks JSON against a schema of the document by the rules of JSON Schema 2020-12, as
// github.com/santhosh-tekuri/jsonschema reads them.
func fits(t *testing.T, doc *openapi3.T, name string, body []byte) error {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(body))
	var value any
	require.NoError(t, d.Decode(&value))
	schema := doc.Components.Schemas[name]
	require.NotNil(t, schema, name)
	return schema.Value.VisitJSON(value, openapi3.EnableJSONSchema2020())
}

// The schemas refuse nothing that is valid: all that is published and all golden resources.
func TestSchemasTakeWhatIsValid(t *testing.T) {
	t.Parallel()
	doc := published(t)
	bodies := maps.Collect(api.Examples())
	golden, err := filepath.Glob("../../../testdata/fhir/*.json")
	require.NoError(t, err)
	for _, path := range golden {
		bodies[filepath.Base(path)], err = os.ReadFile(path)
		require.NoError(t, err)
	}
	tried := 0
	for _, name := range slices.Sorted(maps.Keys(bodies)) {
		resourceType, _, _ := strings.Cut(filepath.Base(name), "-")
		if doc.Components.Schemas[resourceType] == nil {
			continue
		}
		tried++
		require.NoError(t, fits(t, doc, resourceType, bodies[name]), name)
	}
	require.Greater(t, tried, 40)
}

func TestSchemasRefuse(t *testing.T) {
	t.Parallel()
	doc := published(t)
	task := `{"resourceType":"Task","status":"ready","intent":"order"`
	require.NoError(t, fits(t, doc, "Task", []byte(task+`,"_authoredOn":{"id":"a"}}`)))
	for name, body := range map[string]string{
		"another type":        `{"resourceType":"Basic","status":"ready","intent":"order"}`,
		"what is missing":     `{"resourceType":"Task","status":"ready"}`,
		"an unknown member":   task + `,"colour":"red"}`,
		"a code of no set":    `{"resourceType":"Task","status":"late","intent":"order"}`,
		"one for many":        task + `,"note":{"text":"a"}}`,
		"a date that is none": task + `,"authoredOn":"tomorrow"}`,
		"an empty list":       task + `,"note":[]}`,
	} {
		require.Error(t, fits(t, doc, "Task", []byte(body)), name)
	}
}
