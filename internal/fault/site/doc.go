// Package site tries the whole service in processes of its own, with faults drawn from a
// seed: the real binary, a PostgreSQL and a JetStream cluster of three nodes, senders,
// nurses and an endpoint, on loopback. It has tests alone.
//
// Processes are killed and paused, connections cut, slowed and swallowed, file systems
// filled and cut off from their disk, clocks stepped. Afterwards a checker reads everything
// from outside, over FHIR REST, the change stream and the database, and compares it with
// what people were told. What needs no process is tried in package fault, much faster.
//
//	go test ./internal/fault/site -run TestFaults -fault.seed 4711
//	go test ./internal/fault/site -run TestFaults -fault.runs 500 -fault.record runs.csv
package site
