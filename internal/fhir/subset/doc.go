// Package subset gives a part of a resource: the summary that R4 defines, chosen elements,
// the narrative or all but it (hl7.org/fhir/R4/search.html#summary). What is left keeps its
// bytes, stays valid R4 and is tagged SUBSETTED.
//
// It knows R4's definitions; it must not know this project's plans, nor who asks.
//
//	part, err := subset.View{Mode: subset.Summary}.Of(body)
package subset
