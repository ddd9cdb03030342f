package main

import (
	"flag"
	"fmt"
	"os"
	"runtime/pprof"

	"fhirsvc/internal/conformance/bench"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

func main() {
	profile := flag.String("profile", "", "`file` for a profile of the processor")
	flag.Parse()
	if err := run(*profile, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(profile string, args []string) error {
	if profile != "" {
		f, err := os.Create(profile)
		if err != nil {
			return err
		}
		defer f.Close() //nolint:errcheck // a profile that is cut short cannot be read
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	return bench.Serve(args, os.Stdout, func() (bench.Judge, error) {
		v := validate.New(validate.Options{BestPractice: true})
		return func(resource []byte) bool { return !outcome.HasErrors(v.Resource(resource)) }, nil
	})
}
