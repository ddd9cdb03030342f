// Package conformance holds the validator against validators that are not ours. It
// takes valid and broken resources made from the published definitions (validate/mutate),
// HL7's examples and cases, and what the service renders and stores, asks every
// validator for a verdict, and counts where they agree. Where ours and the reference validator differ, a list
// gives the reason and quotes the standard; a difference that is not listed is a
// failure.
//
// It knows the published definitions and how verdicts are exchanged with programs in
// other languages. It must not be imported by the service, and must not know any rule
// of validation.
//
//	cases, err := conformance.Mutants("internal/fhir/validate/testdata/valid")
//	judgement := conformance.Ours(profiles.Outgoing(), cases)
package conformance
