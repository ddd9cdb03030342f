// Package profiles holds the project's own profiles and value sets ready for the
// validator: the release plan and its Tasks, each bedside finding, the procedure, its
// message and the orders. The files are those under api; the command in gen writes
// them from R4's published definitions.
//
// It knows which profile a resource is held to and whether a fault of it is an error.
// It must not know the plans, the decoder, or how a rule is checked.
//
//	v := validate.New(profiles.Strict())
//	issues := v.Resource(body)
package profiles

//go:generate go run ../definitions/gen -fetch
//go:generate go run ./gen
