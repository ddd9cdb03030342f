// Command walk is the yardstick of `make bench-validate`: it reads every token of a
// resource and does nothing with it. Built with GOEXPERIMENT=jsonv2 it uses
// encoding/json/jsontext, which refuses a name that is there twice; otherwise the
// decoder of encoding/json.
//
// It knows JSON, and must not know R4.
//
//	GOEXPERIMENT=jsonv2 go build -o walk ./internal/conformance/bench/walk && ./walk .build/bench/work 200 700
package main
