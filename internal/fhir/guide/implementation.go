package guide

import (
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
)

const (
	title       = "Stepwise release of a radial compression band"
	description = "Profiles, value sets, codes, messages and draft protocols for the plan, the Tasks and the bedside findings around the " +
		"stepwise release of a pneumatic compression band after a catheterization through the wrist."
	license = "Apache-2.0"
)

// listed is R4 ImplementationGuide (hl7.org/fhir/R4/implementationguide.html).
type listed struct {
	header
	PackageID   string     `json:"packageId"`
	License     string     `json:"license"`
	FHIRVersion []string   `json:"fhirVersion"`
	Definition  definition `json:"definition"`
}

type definition struct {
	Resource []member `json:"resource"`
}

type member struct {
	Reference        fhir.Reference `json:"reference"`
	Name             string         `json:"name"`
	Description      string         `json:"description,omitempty"`
	ExampleBoolean   *bool          `json:"exampleBoolean,omitempty"`
	ExampleCanonical string         `json:"exampleCanonical,omitempty"`
}

// implementationGuide lists the files, each example with the profile that it shows.
func implementationGuide(files []File) []byte {
	g := listed{
		header:    newHeader("ImplementationGuide", fhir.PackageName, "RadialCompression", title, description+" "+caution),
		PackageID: fhir.PackageName, License: license, FHIRVersion: []string{"4.0.1"},
	}
	for _, f := range files {
		g.Definition.Resource = append(g.Definition.Resource, f.member())
	}
	return write(g)
}

func (f File) member() member {
	kind, id := f.root.Str("resourceType"), f.root.Str("id")
	m := member{Reference: fhir.Reference{Reference: kind + "/" + id}, Description: f.root.Str("description")}
	switch {
	case f.root.Str("title") != "":
		m.Name = f.root.Str("title")
	case f.root.Str("name") != "":
		m.Name = f.root.Str("name")
	default:
		m.Name = kind + " " + id
	}
	if m.ExampleCanonical = f.Profile(); m.ExampleCanonical == "" {
		m.ExampleBoolean = &f.Example
	}
	return m
}

// Profile is the profile of the package that an example shows; "" for a definition and
// for an example of no profile. The service's own resources name none: it holds them to
// the profile of their type.
func (f File) Profile() string {
	if !f.Example {
		return ""
	}
	if named := f.root.Get("meta").Get("profile").At(0); named != nil {
		return named.Text
	}
	for _, url := range profiles.Outgoing().Require[f.root.Str("resourceType")] {
		return url
	}
	return ""
}
