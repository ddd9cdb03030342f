// Command google is the contender google/fhir/go of `make bench-validate`: jsonformat,
// which refuses what is no R4 by structure, primitive format, required field or
// reference type.
//
// It knows that library, and must not know our validator.
//
//	google .build/bench/work 200 700
package main
