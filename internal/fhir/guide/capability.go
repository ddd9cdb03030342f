package guide

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"

	"fhirsvc/internal/fhir"
)

// capability is R4 CapabilityStatement of kind requirements, which names no software and
// no address (hl7.org/fhir/R4/capabilitystatement.html, cpb-3, cpb-16).
type capability struct {
	header
	Kind                string          `json:"kind"`
	FHIRVersion         string          `json:"fhirVersion"`
	Format              json.RawMessage `json:"format"`
	PatchFormat         json.RawMessage `json:"patchFormat"`
	ImplementationGuide []string        `json:"implementationGuide"`
	REST                []members       `json:"rest"`
	Messaging           []messaging     `json:"messaging"`
}

type members map[string]json.RawMessage

type messaging struct {
	Documentation    string      `json:"documentation"`
	SupportedMessage []supported `json:"supportedMessage"`
}

type supported struct {
	Mode       string `json:"mode"`
	Definition string `json:"definition"`
}

// instance is the CapabilityStatement of a service.
type instance struct {
	all  members
	rest []members
}

func readInstance(body []byte) (instance, error) {
	var i instance
	if err := json.Unmarshal(body, &i.all); err != nil {
		return i, fmt.Errorf("read CapabilityStatement: %w", err)
	}
	if err := json.Unmarshal(i.all["rest"], &i.rest); err != nil {
		return i, fmt.Errorf("read CapabilityStatement.rest: %w", err)
	}
	if i.all["id"] != nil {
		return i, errors.New("a CapabilityStatement of /metadata has no id")
	}
	return i, nil
}

// capabilities gives the statement of the service, and what it says for any service of
// this release.
func (i instance) capabilities() iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		if yield("CapabilityStatement of requirements", write(i.requirements())) {
			yield("CapabilityStatement of the instance", i.named())
		}
	}
}

// named is the statement with an id, by which it stands in the package.
func (i instance) named() []byte {
	out := members{"id": json.RawMessage(`"radial-compression-instance"`)}
	for name, value := range i.all {
		out[name] = value
	}
	return write(out)
}

// requirements leaves out what each site decides: how clients are known.
func (i instance) requirements() capability {
	k := capability{
		header: newHeader("CapabilityStatement", "radial-compression", "RadialCompression", "Release of a radial compression band",
			"What a service offers that schedules and documents the stepwise release of a radial compression band."),
		Kind: "requirements", FHIRVersion: "4.0.1", Format: i.all["format"], PatchFormat: i.all["patchFormat"],
		ImplementationGuide: []string{fhir.CanonicalGuide},
		Messaging: []messaging{{
			Documentation: "By $process-message, answered at once; over JetStream, where what is refused is told.",
		}},
	}
	for _, r := range i.rest {
		offered := members{}
		for name, value := range r {
			if name != "security" {
				offered[name] = value
			}
		}
		k.REST = append(k.REST, offered)
	}
	for _, e := range events() {
		definition := fhir.CanonicalBase + "/MessageDefinition/" + string(e.code)
		k.Messaging[0].SupportedMessage = append(k.Messaging[0].SupportedMessage, supported{"receiver", definition})
	}
	return k
}
