// Package pushtest is an external FHIR server for tests, strict where real ones differ: it
// takes a transaction whole or not at all, checks every resource, gives its own ids, knows
// conditional creates and updates, If-Match and conditional references, and refuses
// references that lead nowhere. It can be made to fail in each way that a server can.
//
// It keeps what it has in memory, and must not be used by the service.
package pushtest
