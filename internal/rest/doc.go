// Package rest is the FHIR REST edge: it turns HTTP requests into calls of the reading
// and charting sides and their answers into R4 responses, and every failure into an
// OperationOutcome. Routes, the CapabilityStatement and what is refused come from one
// table.
//
// It knows HTTP and R4's RESTful API (hl7.org/fhir/R4/http.html); it must not know SQL,
// NATS, clinical rules or how a change is made.
//
//	handler := rest.New(rest.Options{Reading: store, Charting: service, Messaging: service, …})
//	server := http.Server{Handler: handler, ReadHeaderTimeout: 10 * time.Second}
package rest
