// Command gen writes api/openapi.yaml from the tables that the routes are made from.
//
//	go run ./internal/rest/openapi/gen
package main

import (
	"fmt"
	"os"

	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/openapi"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

// run writes the file; go generate runs it in internal/rest/openapi.
func run() error {
	text, err := openapi.YAML(openapi.Document(rest.Routes()))
	if err != nil {
		return err
	}
	return os.WriteFile("../../../api/openapi.yaml", text, 0o644)
}
