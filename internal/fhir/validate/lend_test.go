package validate_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// What is lent is the resource that is judged, whatever the judgement; what can't be parsed is
// not lent.
func TestLend(t *testing.T) {
	v := validate.New(validate.Options{})
	for _, c := range []struct{ body, status string }{
		{`{"resourceType":"Task","status":"ready","intent":"order"}`, "ready"},
		{`{"resourceType":"Task","status":"later","intent":"order"}`, "later"},
		{`{"resourceType":"Task",`, ""},
		{``, ""},
	} {
		status := ""
		issues := v.Lend([]byte(c.body), func(resource *tree.Node) { status = resource.Str("status") })
		require.Equal(t, v.Resource([]byte(c.body)), issues, c.body)
		require.Equal(t, c.status, status, c.body)
	}
}
