package guide

import (
	"bytes"
	"encoding/json"

	"fhirsvc/internal/fhir"
)

// TransactionName is the usual file name of the transaction.
const TransactionName = "transaction.json"

type put struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
	Request  struct {
		Method string `json:"method"`
		URL    string `json:"url"`
	} `json:"request"`
}

// Transaction gives the whole package as one transaction Bundle, for servers that take no packages:
// each resource is written under the id that it has here, so that a second time changes
// nothing. Nothing in it refers to what is not in it. Source: hl7.org/fhir/R4/http.html#transaction.
func (p *Package) Transaction() []byte {
	bundle := struct {
		ResourceType string `json:"resourceType"`
		Type         string `json:"type"`
		Entry        []put  `json:"entry"`
	}{ResourceType: "Bundle", Type: "transaction"}
	for _, f := range p.files {
		name := f.root.Str("resourceType") + "/" + f.root.Str("id")
		e := put{FullURL: fhir.CanonicalBase + "/" + name, Resource: f.Body}
		e.Request.Method, e.Request.URL = "PUT", name
		bundle.Entry = append(bundle.Entry, e)
	}
	var b bytes.Buffer
	if err := json.Compact(&b, write(bundle)); err != nil {
		panic(err) // it was written just now
	}
	return b.Bytes()
}
