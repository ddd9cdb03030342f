package guide_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// The package goes into a server in one transaction: each resource once, under its own id.
func TestTransactionHoldsAll(t *testing.T) {
	body := newPackage(t).Transaction()
	require.Empty(t, faults(validate.New(profiles.Incoming()).Resource(body)))
	var got, want []string
	for e := range root(t, body).Get("entry").Items() {
		require.Equal(t, "PUT", e.Get("request").Str("method"))
		name := e.Get("resource").Str("resourceType") + "/" + e.Get("resource").Str("id")
		require.Equal(t, name, e.Get("request").Str("url"))
		got = append(got, name)
	}
	for _, f := range newPackage(t).Files() {
		r := root(t, f.Body)
		want = append(want, r.Str("resourceType")+"/"+r.Str("id"))
	}
	require.Equal(t, want, got)
}

// A server that checks references takes the package: whatever a resource refers to in its own
// server is in the package, too. Within a Bundle references lead to its entries
// (hl7.org/fhir/R4/bundle.html#references).
func TestNothingRefersOutOfThePackage(t *testing.T) {
	has := map[string]bool{}
	files := newPackage(t).Files()
	for _, f := range files {
		r := root(t, f.Body)
		has[r.Str("resourceType")+"/"+r.Str("id")] = true
	}
	seen := 0
	for _, f := range files {
		doc, _ := tree.Parse(f.Body)
		if doc.Root.Str("resourceType") == "Bundle" {
			continue
		}
		for _, ref := range fhir.ReferencesOf(doc) {
			if strings.HasPrefix(ref, "#") {
				continue
			}
			name, _, _ := strings.Cut(ref, "/_history/")
			require.True(t, has[name], "%s refers to %s", f.Path(), ref)
			seen++
		}
	}
	require.Greater(t, seen, 100)
}
