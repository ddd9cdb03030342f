//go:build !goexperiment.jsonv2

package main

import (
	"bytes"
	"encoding/json"
	"io"

	"fhirsvc/internal/conformance/bench"
)

const walker = "encoding/json Decoder.Token"

func load() (bench.Judge, error) {
	return func(resource []byte) bool {
		tokens := json.NewDecoder(bytes.NewReader(resource))
		tokens.UseNumber()
		for {
			if _, err := tokens.Token(); err != nil {
				return err == io.EOF
			}
		}
	}, nil
}
