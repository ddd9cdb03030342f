package push_test

import (
	"bytes"
	"encoding/json"
	"strings"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// expected is a stored resource as the server should have it, written down again here without
// the code that is tested: its own ids and versions gone, references as they lead there, an
// identifier where there was none.
func (s *site) expected(r store.Resource) pushtest.Resource {
	s.Helper()
	d := json.NewDecoder(bytes.NewReader(r.Body))
	d.UseNumber()
	var body pushtest.Resource
	require.NoError(s, d.Decode(&body))
	if body["identifier"] == nil {
		body["identifier"] = []any{pushtest.Resource{"system": "urn:ietf:rfc:3986", "value": "urn:uuid:" + fhir.CopyUUID(r.Type, r.ID)}}
	}
	s.lead(body)
	return plain(body)
}

func (s *site) lead(value any) {
	s.Helper()
	switch v := value.(type) {
	case pushtest.Resource:
		if ref, ok := v["reference"].(string); ok {
			kind, id, _ := strings.Cut(strings.TrimPrefix(ref, base+"/"), "/")
			switch {
			case fhir.Delivered(kind):
				v["reference"], _ = s.remote(kind, id)
			case kind == "Patient":
				for name := range s.server.Find("Patient", patientSystem, "T-77") {
					v["reference"] = name
				}
			case kind == "Encounter":
				delete(v, "reference")
				v["type"], v["identifier"] = kind, pushtest.Resource{"system": "https://ehr.example/encounter", "value": "E-5"}
			default:
				delete(v, "reference")
				v["type"], v["display"] = kind, ref
			}
			return
		}
		for _, child := range v {
			s.lead(child)
		}
	case []any:
		for _, child := range v {
			s.lead(child)
		}
	}
}

// plain is a resource without what its server gave it.
func plain(r pushtest.Resource) pushtest.Resource {
	copied := pushtest.Resource{}
	for name, value := range r {
		if name != "id" && name != "meta" {
			copied[name] = value
		}
	}
	return copied
}
