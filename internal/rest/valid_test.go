package rest_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// r4 judges by the published definitions alone.
var r4 = sync.OnceValue(func() *validate.Validator { return validate.New(validate.Options{}) })

// valid holds every FHIR answer of every test against the published R4 definitions.
func valid(t *testing.T, asked *http.Request, response *http.Response, body []byte) {
	t.Helper()
	if len(body) == 0 || !strings.HasPrefix(response.Header.Get("Content-Type"), "application/fhir+json") {
		return
	}
	for _, issue := range r4().Resource(body) {
		if issue.Severity == outcome.SeverityError || issue.Severity == outcome.SeverityFatal {
			require.Failf(t, "an answer that is not valid R4", "%s %s: %s\n%s", asked.Method, asked.URL, issue, body)
		}
	}
}
