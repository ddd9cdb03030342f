// Command google judges resources with the parser of github.com/google/fhir/go, which
// refuses what is no R4 by structure, primitive format, required field or reference
// type. It reads lines {"id", "resource": text} and writes lines {"id", "issues"}. It is
// a program of its own because that library takes a minute to build.
//
// It knows how verdicts are exchanged, and must not know our validator.
//
//	go run ./internal/conformance/google < cases.ndjson
package main
