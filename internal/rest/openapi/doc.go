// Package openapi describes the HTTP interface in OpenAPI 3.1: api/openapi.yaml, which the
// command in gen writes.
//
// It knows the table of addresses, the search parameters and R4's published definitions,
// and says nothing that is not in them. It must not know a handler, a plan or the store;
// nothing of it is in the service.
//
//	doc := openapi.Document(rest.Routes())
//	text, err := openapi.YAML(doc)
package openapi

//go:generate go run ./gen
