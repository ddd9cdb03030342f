// Package definitions holds the published FHIR R4 (4.0.1) definitions in a compact
// embedded form: every resource and data type with its elements, the published
// profiles, the value sets of required and extensible bindings, and the search
// parameters. The file is made by the generator in gen from HL7's own package and
// is decoded piece by piece when something asks for it.
//
// It knows StructureDefinition, ValueSet, CodeSystem and SearchParameter of R4, and
// must not know any instance, any plan, or how a value is checked.
//
//	set := definitions.R4()
//	patient := set.Type("Patient")
//	m := patient.Member("deceasedBoolean") // element "deceased", type "boolean"
//	fmt.Println(m.Element.Path, m.Type.Name)
package definitions

//go:generate go run ./gen
