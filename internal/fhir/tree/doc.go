// Package tree reads R4 JSON without losing anything: decoded text, the source
// text of numbers, the order of members and the place of every value in the
// received bytes. It refuses what R4 JSON forbids whatever the type is: duplicate
// names, text that is not UTF-8, null outside arrays, empty objects and arrays,
// and anything beyond its limits (hl7.org/fhir/R4/json.html).
//
// Parse gives a document that stays; a Reader reads one after another into the same
// memory, for those who keep none of them.
//
// It knows JSON and the general rules of R4 JSON, and must not know any resource
// or data type.
//
//	doc, issues := tree.Parse(body)
//	if doc == nil || outcome.HasErrors(issues) {
//		return issues
//	}
//	code := doc.Root.Get("code").Get("text").Text // nil-safe: "" when absent
//	for given := range doc.Root.Get("name").At(0).Get("given").Items() {
//		fmt.Println(given.Text)
//	}
package tree
