package api

import (
	"embed"
	"io/fs"
	"iter"
)

//go:embed *.json protocols/*.json examples/*.json
var published embed.FS

// Protocols gives the starter protocols by file name, in order of name: R4
// PlanDefinitions of status draft.
func Protocols() iter.Seq2[string, []byte] { return files("protocols/*.json") }

// Conformance gives the published profiles, value sets, code systems and search
// parameters by file name, in order of name.
func Conformance() iter.Seq2[string, []byte] { return files("*.json") }

// Examples gives invented resources that fit the profiles, by file name, in order of name.
func Examples() iter.Seq2[string, []byte] { return files("examples/*.json") }

func files(pattern string) iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		names, err := fs.Glob(published, pattern)
		if err != nil {
			panic(err) // a wrong pattern of ours
		}
		for _, name := range names {
			body, err := published.ReadFile(name)
			if err != nil {
				panic(err) // the file was embedded
			}
			if !yield(name, body) {
				return
			}
		}
	}
}

//go:embed openapi.yaml
var openAPI []byte

// OpenAPI gives the interface in OpenAPI 3.1, YAML.
func OpenAPI() []byte { return openAPI }
