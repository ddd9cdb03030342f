package guide_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/fhir/guide"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// heldTo gives the faults of a resource that must fit one profile.
func heldTo(body []byte, p *definitions.Profile) []string {
	o := profiles.Strict()
	o.Require = map[string][]string{p.Type: {p.URL}}
	return faults(validate.New(o).Resource(body))
}

// Each example fits the profile that it is said to show, and none of the other profiles of
// its type, save the one that all findings have in common.
func TestExamplesFitTheirProfiles(t *testing.T) {
	shown, others := 0, 0
	for _, f := range newPackage(t).Files() {
		url := f.Profile()
		if url == "" {
			continue
		}
		shown++
		own := profiles.Find(url)
		require.NotNil(t, own, url)
		require.Empty(t, heldTo(f.Body, own), f.Path())
		for _, p := range profiles.All() {
			if p.Type == own.Type && p != own && p.URL != profiles.Base+"bedside-finding" {
				require.NotEmpty(t, heldTo(f.Body, p), "%s fits %s, too", f.Path(), p.URL)
				others++
			}
		}
	}
	require.Greater(t, shown, 20)
	require.Greater(t, others, 100)
}

// Every profile that is not a mere base is shown: by an example, inside one, or by the
// starter protocols.
func TestEveryProfileIsShown(t *testing.T) {
	shown := map[string]bool{}
	bases := map[string]bool{}
	for _, f := range newPackage(t).Files() {
		r := root(t, f.Body)
		switch {
		case f.Example:
			shown[f.Profile()] = true
			for e := range r.Get("entry").Items() {
				if p := e.Get("resource").Get("meta").Get("profile").At(0); p != nil {
					shown[p.Text] = true
				}
			}
		case r.Str("resourceType") == "PlanDefinition":
			shown[r.Get("extension").At(0).Str("url")] = true
		case r.Str("resourceType") == "StructureDefinition":
			bases[r.Str("url")] = r.Get("abstract").Text == "true"
		}
	}
	for _, p := range profiles.All() {
		require.True(t, shown[p.URL] || bases[p.URL], "no example shows %s", p.URL)
	}
}

// The service understands the messages among the examples without a word of complaint.
func TestExampleMessagesAreUnderstood(t *testing.T) {
	var events []string
	for _, f := range newPackage(t).Files() {
		if !strings.HasPrefix(f.Path(), "examples/Bundle-") {
			continue
		}
		doc, issues := tree.Parse(f.Body)
		require.NotNil(t, doc)
		if doc.Root.Str("type") != "message" {
			continue
		}
		notice, issues := fhir.DecodeNotice(doc, issues, false)
		require.NotNil(t, notice, "%s: %v", f.Path(), issues)
		require.Empty(t, issues, f.Path())
		events = append(events, doc.Root.Get("entry").At(0).Get("resource").Get("eventCoding").Str("code"))
	}
	require.ElementsMatch(t, []string{"procedure-completed", "patient-moved", "encounter-ended"}, events)
}

// The forms that are filled in among the examples fit their Questionnaires, which are in the
// package, and chart something.
func TestExampleFormsFitTheirQuestionnaires(t *testing.T) {
	filled := 0
	for _, f := range newPackage(t).Files() {
		doc, _ := tree.Parse(f.Body)
		if doc.Root.Str("resourceType") != "QuestionnaireResponse" {
			continue
		}
		filled++
		canonical, version, _ := strings.Cut(doc.Root.Str("questionnaire"), "|")
		require.Equal(t, fhir.Published, version)
		for _, q := range newPackage(t).Files() {
			if root(t, q.Body).Str("url") != canonical {
				continue
			}
			read, err := form.Parse(q.Body, func(string) func(system, code string) bool { return nil })
			require.NoError(t, err)
			require.Empty(t, read.Check(doc.Root, "QuestionnaireResponse"))
			require.NotEmpty(t, read.Observations(doc, "QuestionnaireResponse", form.About{}))
			filled++
		}
	}
	require.Equal(t, 2, filled)
}

// The guide lists every other resource of the package once, and says of each whether it
// is an example.
func TestGuideListsAll(t *testing.T) {
	var got, want []string
	for m := range find(t, "ImplementationGuide-fhirsvc.radial-compression.json").Get("definition").Get("resource").Items() {
		kind := "definition"
		if m.Get("exampleCanonical") != nil || m.Get("exampleBoolean").Text == "true" {
			kind = "example"
		}
		got = append(got, m.Get("reference").Str("reference")+" "+kind)
	}
	for _, f := range newPackage(t).Files() {
		kind := "definition"
		if f.Example {
			kind = "example"
		}
		if r := root(t, f.Body); r.Str("resourceType") != "ImplementationGuide" {
			want = append(want, r.Str("resourceType")+"/"+r.Str("id")+" "+kind)
		}
	}
	require.ElementsMatch(t, want, got)
}

// What is required of a service is what this one serves, without its address and its
// software, and the instance is what /metadata says, with an id.
func TestCapabilities(t *testing.T) {
	required := find(t, "CapabilityStatement-radial-compression.json")
	require.Equal(t, "requirements", required.Str("kind"))
	require.Equal(t, fhir.CanonicalCapability, required.Str("url"))
	require.Nil(t, required.Get("software"))
	require.Nil(t, required.Get("implementation"))
	require.Equal(t, 3, required.Get("messaging").At(0).Get("supportedMessage").Len())

	served := root(t, metadata())
	require.Equal(t, fhir.CanonicalCapability+"|"+fhir.Published, served.Get("instantiates").At(0).Text)
	types := func(n *tree.Node) []string {
		var out []string
		for r := range n.Get("rest").At(0).Get("resource").Items() {
			for text := range texts(r) {
				out = append(out, text)
			}
		}
		return out
	}
	require.NotEmpty(t, types(served))
	require.ElementsMatch(t, types(served), types(required))
	require.Nil(t, required.Get("rest").At(0).Get("security"), "how clients are known is for the site to decide")

	for _, f := range newPackage(t).Files() {
		if f.Name == "CapabilityStatement-radial-compression-instance.json" {
			var got, want map[string]any
			require.NoError(t, json.Unmarshal(f.Body, &got))
			require.NoError(t, json.Unmarshal(metadata(), &want))
			require.Equal(t, "radial-compression-instance", got["id"])
			delete(got, "id")
			require.Equal(t, want, got)
		}
	}
}

func TestInstanceThatCannotBeRead(t *testing.T) {
	for name, body := range map[string]string{
		"no JSON":          `x`,
		"no rest":          `{"resourceType":"CapabilityStatement","date":"2026"}`,
		"an id of its own": `{"resourceType":"CapabilityStatement","date":"2026","rest":[],"id":"x"}`,
	} {
		_, err := guide.New([]byte(body))
		require.ErrorContains(t, err, "CapabilityStatement", name)
	}
}
