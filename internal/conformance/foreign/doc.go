// Package foreign tries fhirsvc against a general FHIR server of others: it starts one that
// keeps everything in memory, loads the project's package into it, and compares what was
// delivered to it with what the service has.
//
// It sees both by HTTP alone, as an integration engineer does, and must not know how copies are
// made. What it compares is written down in same.go.
//
//	server, err := foreign.Start(ctx, ".build/conformance/server", 0, os.Stderr)
//	loaded, err := server.Load(ctx, "package/transaction.json")
//	faults, err := foreign.Compare(ctx, sandboxURL+"/fhir", server.Base, loaded)
package foreign
