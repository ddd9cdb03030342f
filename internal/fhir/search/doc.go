// Package search is R4 search as data: what a resource is found by (Value), what
// is asked for (Query), and the parameters that fhirsvc serves. Index computes the
// values of a resource, Parse turns a query string into a Query; both stores answer
// the same Query with the same few operators.
//
// It knows R4 search (hl7.org/fhir/R4/search.html) and the published parameters; it
// must not know SQL, HTTP or when anything is due.
//
//	index := search.Index("Task", body)
//	q, applied, issues := search.Parse("Task", url.Values{"status": {"ready"}}, search.Options{})
package search
