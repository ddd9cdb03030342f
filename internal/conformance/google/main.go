package main

import (
	"fmt"
	"os"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"

	"fhirsvc/internal/conformance"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run() error {
	parser, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		return err
	}
	return conformance.Answer(os.Stdin, os.Stdout, func(resource string) []conformance.Issue {
		_, err := parser.Unmarshal([]byte(resource))
		if err == nil {
			return nil
		}
		return []conformance.Issue{{Severity: "error", Message: err.Error()}}
	})
}
