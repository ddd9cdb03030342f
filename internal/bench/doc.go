// Command bench is `make bench`: in one run on one machine it measures what PostgreSQL,
// JetStream and echo do alone, then fhirsvc beside them on the same rows, and prints rates,
// latencies, processor time and ratios.
//
// It starts the real program, a broker and databases of its own, and stops them. It knows the
// tables that it writes bare; the service must not import it.
//
//	go run ./internal/bench -fhirsvc bin/fhirsvc
package main
