// Package fhirpath compiles and evaluates FHIRPath over R4 JSON (FHIRPath
// Normative Release 1, hl7.org/fhirpath/N1, with the additions of
// hl7.org/fhir/R4/fhirpath.html). A Program is compiled once and safe for
// concurrent use; an Env carries what an evaluation knows and is not.
//
// What cannot be evaluated is an error, never a result: a wrong type, more than
// one item where one is asked for, a unit that cannot be converted.
//
// It knows the language, R4's types and JSON form, and must not know validation,
// where references lead to, or the clock; those it is told through Env.
//
//	p, err := fhirpath.Compile("name.where(use = 'official').exists()")
//	env := fhirpath.NewEnv(definitions.R4(), doc.Root)
//	truth, err := p.Test(env, env.Resource)
package fhirpath
