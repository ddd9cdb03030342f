package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// requireGolden compares a resource with a file token by token, so that neither the
// order of members nor a digit of a number may differ; -update rewrites the file.
func requireGolden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		var b bytes.Buffer
		require.NoError(t, json.Indent(&b, got, "", "  "))
		b.WriteByte('\n')
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, tokens(t, want), tokens(t, got))
}

func tokens(t require.TestingT, body []byte) []json.Token {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var list []json.Token
	for {
		x, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		}
		require.NoError(t, err)
		list = append(list, x)
	}
}

// empties names every value that R4 JSON forbids: null, empty text, empty array, empty
// object (hl7.org/fhir/R4/json.html: no property is empty).
func empties(t require.TestingT, body []byte) []string {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var v any
	require.NoError(t, d.Decode(&v))
	var found []string
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch x := v.(type) {
		case nil:
			found = append(found, path+": null")
		case string:
			if strings.TrimSpace(x) == "" {
				found = append(found, path+": empty text")
			}
		case []any:
			if len(x) == 0 {
				found = append(found, path+": empty array")
			}
			for _, y := range x {
				walk(path+"[]", y)
			}
		case map[string]any:
			if len(x) == 0 {
				found = append(found, path+": empty object")
			}
			values := 0
			for k, y := range x {
				walk(path+"."+k, y)
				if strings.HasPrefix(k, "value") && len(k) > len("value") && !strings.HasPrefix(k, "valueSet") {
					values++
				}
			}
			if values > 1 {
				found = append(found, path+": more than one value[x]")
			}
		}
	}
	walk("", v)
	return found
}

func TestEmptiesAreFound(t *testing.T) {
	for _, body := range []string{
		`{"a":null}`, `{"a":[]}`, `{"a":{}}`, `{"a":""}`, `{"a":[{"b":" "}]}`, `{"valueBoolean":false,"valueString":"x"}`,
	} {
		require.Len(t, empties(t, []byte(body)), 1, body)
	}
	require.Empty(t, empties(t, []byte(`{"a":[{"value":0,"valueBoolean":false}]}`)))
}

// strict reads a resource as the reference parser of google/fhir does, without leniency.
func strict(t require.TestingT, body []byte) {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	_, err = u.Unmarshal(body)
	require.NoError(t, err, "%s", body)
}

// validator knows of the project only that it has a code system.
var validator = sync.OnceValue(func() *validate.Validator {
	return validate.New(validate.Options{Guide: definitions.Guide{Systems: []string{"https://fhirsvc.example/fhir/CodeSystem/radial-compression"}}})
})

// valid holds a resource against the published definitions. R4's own snapshots type ids
// with FHIRPath's System types, outside the value set that they bind to. That a code system
// is not known here is no fault, nor that IHE BALP gives the id of a request in an AuditEvent
// a type of its own.
func valid(t require.TestingT, body []byte) {
	for _, i := range validator().Resource(body) {
		if i.Severity == outcome.SeverityInformation || strings.HasPrefix(i.Details, `"`+SystemAuditRequest[:20]) || strings.HasPrefix(i.Details, `"http://hl7.org/fhirpath/System.`) {
			continue
		}
		require.Fail(t, i.String(), "%s", body)
	}
}

func TestStrictParserRefuses(t *testing.T) {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	for _, body := range []string{
		`{"resourceType":"Task","intent":"order"}`,
		`{"resourceType":"Task","status":"ready","intent":"order","unknown":1}`,
		`{"resourceType":"Task","status":"ready","intent":"order","authoredOn":"yesterday"}`,
	} {
		_, err := u.Unmarshal([]byte(body))
		require.Error(t, err, body)
	}
}

// Every resource that is committed as an example or published holds to what is asked
// of those that are rendered.
func TestCommittedResources(t *testing.T) {
	seen := 0
	for _, pattern := range []string{"../../testdata/fhir/*.json", "../../api/*.json", "../../api/protocols/*.json"} {
		paths, err := filepath.Glob(pattern)
		require.NoError(t, err)
		require.NotEmpty(t, paths, pattern)
		for _, path := range paths {
			t.Run(filepath.Base(path), func(t *testing.T) {
				body, err := os.ReadFile(path)
				require.NoError(t, err)
				require.Empty(t, empties(t, body))
				strict(t, body)
				valid(t, body)
			})
			seen++
		}
	}
	require.Greater(t, seen, 15)
}
