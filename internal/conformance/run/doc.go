// Command run is `make conformance`: it has every validator judge the corpus, holds ours
// against the reference, and holds docs/validation.md to what came out.
//
// It knows the programs that the make target prepared, and must not know what they
// answer.
//
//	go run ./internal/conformance/run -java .build/conformance/java \
//		-npm .build/conformance/npm/node_modules -google .build/conformance/google \
//		testdata/fhir .build/conformance/stored
package main
