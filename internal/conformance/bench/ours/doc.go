// Command ours is the contender fhirsvc of `make bench-validate`: the validator with
// all that R4 publishes switched on.
//
// It knows internal/fhir/validate, and must not know who else is measured.
//
//	ours -profile cpu.pprof .build/bench/work 200 700
package main
