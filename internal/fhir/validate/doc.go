// Package validate checks R4 resources against the published definitions: names,
// cardinalities, types and formats, choices, bindings, reference targets, contained
// resources, narratives, invariants, Bundle rules, and profiles with their slices.
//
// Every fault is found, up to a bound, and comes as an outcome.Issue with its
// place, its rule and a sentence that tells a person what to do. An invariant holds
// only when it evaluates to true; the published ones that cannot be used so are
// repaired in a table that says why (repair.go).
//
// It knows R4 and must not know this project's plans, where references lead to
// outside the content, the clock, or a terminology server.
//
//	v := validate.New(validate.Options{})
//	doc, issues := v.Document(body)
//	if outcome.HasErrors(issues) {
//		return outcome.Reject("receive", issues)
//	}
package validate
