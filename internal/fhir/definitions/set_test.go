package definitions_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
)

// The counts are those of the published package hl7.fhir.r4.examples 4.0.1: 148
// resources with the abstract two, Resource and DomainResource,
// 41 complex types, 20 primitives (hl7.org/fhir/R4/resourcelist.html, datatypes.html).
func TestEverythingIsThere(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	kinds := map[definitions.Kind]int{}
	for _, name := range set.TypeNames() {
		kinds[set.Type(name).Kind]++
	}
	require.Equal(t, map[definitions.Kind]int{
		definitions.Resource: 148, definitions.Complex: 41, definitions.Primitive: 20,
	}, kinds)
	require.Len(t, set.SearchParameters(), 1400)
	require.Nil(t, set.Type("Widget"))
}

func TestEveryMemberIsLinked(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	for _, name := range set.TypeNames() {
		typ := set.Type(name)
		requireLinked(t, set, &typ.Shape, map[*definitions.Shape]bool{})
		if typ.BaseName != "" {
			require.NotNil(t, typ.Base, name)
		}
	}
}

func requireLinked(t *testing.T, set *definitions.Set, s *definitions.Shape, seen map[*definitions.Shape]bool) {
	if seen[s] {
		return
	}
	seen[s] = true
	for _, e := range s.Elements {
		require.NotEmpty(t, e.Members, e.Path)
		for _, m := range e.Members {
			require.NotNil(t, m.Type, "%s %s", e.Path, m.Name)
			require.NotNil(t, m.Shape, "%s %s", e.Path, m.Name)
			require.Same(t, m, s.Member(m.Name))
		}
		if e.Nested != nil {
			requireLinked(t, set, e.Nested, seen)
		}
		if b := e.Binding; b != nil && b.Strength != "" {
			require.NotNil(t, set.ValueSet(b.ValueSet), "%s: %s", e.Path, b.ValueSet)
		}
	}
}

func TestTypes(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	patient := set.Type("Patient")
	require.True(t, patient.Is("DomainResource"))
	require.True(t, set.Type("Age").Is("Quantity"))
	require.True(t, set.Type("code").Is("string"), "R4 code specialises string, hl7.org/fhir/R4/datatypes.html#code")

	deceased := patient.Member("deceasedBoolean")
	require.Equal(t, "Patient.deceased[x]", deceased.Element.Path)
	require.Equal(t, "boolean", deceased.Type.Name)
	require.Nil(t, patient.Member("deceased"))
	require.NotNil(t, patient.Shape.Element("deceased"))

	// R4 Observation.component.referenceRange has the content of Observation.referenceRange.
	component := set.Type("Observation").Member("component").Shape
	require.NotNil(t, component.Member("referenceRange").Shape.Member("appliesTo"))

	subject := set.Type("Task").Member("focus")
	require.Empty(t, subject.Ref.Targets, "Reference(Any)")
	require.Equal(t, []string{"Encounter"}, set.Type("Task").Member("encounter").Ref.Targets)
}

func TestValueSets(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	status := set.ValueSet("http://hl7.org/fhir/ValueSet/task-status|4.0.1")
	require.False(t, status.Open)
	require.True(t, status.HasCode("on-hold"))
	require.False(t, status.HasCode("onhold"))
	require.True(t, status.Has("http://hl7.org/fhir/task-status", "ready"))
	require.False(t, status.Has("http://hl7.org/fhir/request-status", "ready"))
	require.True(t, set.ValueSet("http://hl7.org/fhir/ValueSet/mimetypes").Open)
}

func TestCodeSystems(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	category := set.CodeSystem("http://terminology.hl7.org/CodeSystem/observation-category")
	require.True(t, category.Has("vital-signs"))
	require.False(t, category.Has("Vital-Signs"))
	require.True(t, set.CodeSystem("http://hl7.org/fhir/item-type").Has("question"), "an abstract code is a code")
	require.Nil(t, set.CodeSystem("http://loinc.org"))
}

func TestDisplays(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	gender := set.CodeSystem("http://hl7.org/fhir/administrative-gender")
	require.Equal(t, []string{"Male"}, gender.Displays("male")) // hl7.org/fhir/R4/codesystem-administrative-gender.html
	require.Empty(t, gender.Displays("man"))
	units := set.CodeSystem("http://hl7.org/fhir/concept-properties")
	require.NotEmpty(t, units.Displays("inactive"))
}

func TestNamedSystems(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	for _, url := range []string{
		"http://snomed.info/sct", "http://loinc.org", "http://unitsofmeasure.org", "urn:iso:std:iso:3166", // drawn on
		"http://hl7.org/fhir/administrative-gender",                 // whole
		"http://terminology.hl7.org/CodeSystem/insurance-plan-type", // a fragment
	} {
		require.True(t, set.Names(url), url)
	}
	require.False(t, set.Names("https://x.example/cs"))
}

func TestProfiles(t *testing.T) {
	t.Parallel()
	bp := definitions.R4().Profile("http://hl7.org/fhir/StructureDefinition/bp")
	require.Equal(t, "Observation", bp.Type)
	var sliced []string
	for _, c := range bp.Root.Children {
		for _, s := range c.Slices {
			sliced = append(sliced, s.SliceName)
		}
	}
	require.Equal(t, []string{"VSCat", "valueQuantity", "SystolicBP", "DiastolicBP"}, sliced)
}

func TestSearchParametersOfAType(t *testing.T) {
	t.Parallel()
	var codes []string
	for _, p := range definitions.R4().SearchParametersOf("Flag") {
		codes = append(codes, p.Code)
	}
	// hl7.org/fhir/R4/flag.html#search and resource.html#search, domainresource.html#search
	for _, want := range []string{"author", "date", "encounter", "identifier", "patient", "subject", "_id", "_lastUpdated"} {
		require.Contains(t, codes, want)
	}
	require.NotContains(t, codes, "code")
}

func BenchmarkOpen(b *testing.B) {
	file := definitions.File()
	for b.Loop() {
		s, err := definitions.Open(file)
		if err != nil || s.Type("Task") == nil {
			b.Fatal(err)
		}
	}
}
