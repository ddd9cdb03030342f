package definitions

import (
	"fmt"

	"fhirsvc/internal/fhir/tree"
)

// Guide is a project's own conformance resources made ready beside the published ones.
type Guide struct {
	Profiles    []*Profile
	ValueSets   []*ValueSet
	CodeSystems []*CodeSystem // those whose codes are all given
	Systems     []string      // URLs of other code systems that it names
}

// ReadGuide reads StructureDefinitions that constrain types of the set, ValueSets,
// and the CodeSystems that these draw on; resources of other types are passed over.
// Value sets are expanded from what is given; one that draws on anything else is
// Open. An error names the resource that cannot be used.
func (s *Set) ReadGuide(resources ...[]byte) (Guide, error) {
	x := expander{codeSystems: map[string]*codeSystem{}, valueSets: map[string]*tree.Node{}, open: map[string]bool{}}
	var profiles []*tree.Document
	var urls []string
	for _, body := range resources {
		doc, issues := tree.Parse(body)
		if doc == nil {
			return Guide{}, fmt.Errorf("read guide: %s", issues[0])
		}
		url := doc.Root.Str("url")
		switch doc.Root.Str("resourceType") {
		case "StructureDefinition":
			profiles = append(profiles, doc)
		case "ValueSet":
			x.valueSets[url] = doc.Root
			urls = append(urls, url)
		case "CodeSystem":
			x.codeSystems[url] = newCodeSystem(doc.Root)
		}
	}
	var g Guide
	for _, url := range sortedKeys(x.codeSystems) {
		if cs := x.codeSystems[url].published(url); cs != nil {
			shown := x.codeSystems[url].displays
			cs.link(func() displays { return shown })
			g.CodeSystems = append(g.CodeSystems, cs)
		}
	}
	g.Systems = x.systems()
	for _, url := range urls {
		v := x.Expand(url)
		v.link()
		g.ValueSets = append(g.ValueSets, v)
	}
	for _, doc := range profiles {
		p, err := s.NewProfile(doc)
		if err != nil {
			return Guide{}, err
		}
		g.Profiles = append(g.Profiles, p)
	}
	return g, nil
}
