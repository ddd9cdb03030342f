package profiles_test

import (
	"testing"

	"fhirsvc/api"
)

// The parameters of the starters fit the extension's definition, which others read
// them by, and a parameter that the reader of protocols refuses does not.
func TestParametersOfProtocols(t *testing.T) {
	const first = `{"url": "name", "valueCode": "initial-volume-minimum"}`
	for _, body := range api.Protocols() {
		requireFaults(t, strict(), string(body), []change{
			{"no name", first + `, `, ``, "name"},
			{"a name twice", first, first + `, ` + first, "name"},
			{"another part", first, first + `, {"url": "colour", "valueCode": "red"}`, "extension"},
			{"a name that is a number", `"valueCode": "initial-volume-minimum"`, `"valueInteger": 3`, "a integer is not allowed"},
		})
	}
}
