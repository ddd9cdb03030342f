//go:build goexperiment.jsonv2

package main

import (
	"bytes"
	"encoding/json/jsontext"
	"io"

	"fhirsvc/internal/conformance/bench"
)

const walker = "encoding/json/jsontext"

// load keeps one decoder and reads from a buffer, which jsontext does not copy: so it is
// fastest.
func load() (bench.Judge, error) {
	in := new(bytes.Buffer)
	tokens := jsontext.NewDecoder(in)
	return func(resource []byte) bool {
		*in = *bytes.NewBuffer(resource)
		tokens.Reset(in)
		for {
			if _, err := tokens.ReadToken(); err != nil {
				return err == io.EOF
			}
		}
	}, nil
}
