// Command run is `make bench-validate`: it runs ours and the others in turn, ours before
// each of them, over the same published examples, and prints medians, ratios and the
// goals. A floor that is not met makes it fail.
//
// It knows the programs that .ci/bench-validate built, and must not know what they do.
//
//	go run ./internal/conformance/bench/run -built .build/bench -npm .build/conformance/npm/node_modules
package main
