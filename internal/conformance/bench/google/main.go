package main

import (
	"fmt"
	"os"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"

	"fhirsvc/internal/conformance/bench"
)

func main() {
	if err := bench.Serve(os.Args[1:], os.Stdout, load); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func load() (bench.Judge, error) {
	parser, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		return nil, err
	}
	return func(resource []byte) bool {
		_, err := parser.Unmarshal(resource)
		return err == nil
	}, nil
}
