package main

import (
	"fmt"
	"os"

	"fhirsvc/internal/conformance/bench"
)

func main() {
	if len(os.Args) == 2 && os.Args[1] == "name" {
		fmt.Println(walker)
		return
	}
	if err := bench.Serve(os.Args[1:], os.Stdout, load); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}
