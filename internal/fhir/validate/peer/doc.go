// Package peer holds the validator against a reading of R4 that is not ours: the
// google/fhir jsonformat parser, which checks structure, primitives and references
// (github.com/google/fhir/go). It has tests only, apart from the others because
// that library takes a minute to build.
//
// It knows both readings and must not be imported.
//
//	go test ./internal/fhir/validate/peer
package peer
