// Command run shows a general FHIR server with the project's package and a sandbox that delivers
// to it (make sandbox-fhir), or with -check tries what that server and the service make of each
// other (make conformance), and ends with 1 if anything is not as it must be.
//
//	go run ./internal/conformance/foreign/run -java .build/conformance/server -fhirsvc bin/fhirsvc
package main
