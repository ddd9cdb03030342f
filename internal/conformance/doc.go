// Package conformance holds the validator against validators that are not ours. It
// makes a corpus of valid and broken resources from the published definitions, takes
// what the service renders and stores beside it, asks every validator for a verdict,
// and counts where they agree. Where ours and the reference validator differ, a list
// gives the reason and quotes the standard; a difference that is not listed is a
// failure.
//
// It knows the published definitions and how verdicts are exchanged with programs in
// other languages. It must not be imported by the service, and must not know any rule
// of validation itself beyond the ones that it breaks on purpose.
//
//	cases := conformance.Mutants()
//	verdicts := conformance.Ours(cases)
package conformance
