package pushtest

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
)

// refusal is an answer that is no success.
type refusal struct {
	status            int
	code, diagnostics string
}

func fail(status int, code, diagnostics string) *refusal { return &refusal{status, code, diagnostics} }

func refuse(w http.ResponseWriter, r *refusal) {
	w.Header().Set("Content-Type", "application/fhir+json")
	w.WriteHeader(r.status)
	_ = json.NewEncoder(w).Encode(Resource{"resourceType": "OperationOutcome", "issue": []any{
		Resource{"severity": "error", "code": r.code, "diagnostics": r.diagnostics},
	}})
}

// write is one entry as it is to be carried out.
type write struct {
	kind, id string
	body     Resource // nil: nothing is written, a conditional create has found something
	created  bool
}

// transaction carries all entries out, or none
// (hl7.org/fhir/R4/http.html#transaction, #cond-update, #ccreate, #trules).
func (s *Server) transaction(entries []any) (Resource, *refusal) {
	writes := make([]write, len(entries))
	fullURLs, seen := map[string]string{}, map[string]bool{}
	ids := s.ids
	for n, e := range entries {
		e := e.(Resource)
		w, no := s.prepare(e)
		if no != nil {
			s.ids = ids
			return nil, no
		}
		name := w.kind + "/" + w.id
		if seen[name] {
			s.ids = ids
			return nil, fail(http.StatusBadRequest, "duplicate", "one resource stands twice in the transaction: "+name)
		}
		seen[name], fullURLs[text(e["fullUrl"])], writes[n] = true, name, w
	}
	for _, w := range writes {
		if no := s.resolve(w.body, fullURLs, seen); no != nil {
			s.ids = ids
			return nil, no
		}
	}
	s.writes++
	var answers []any
	for _, w := range writes {
		status, name := "200 OK", w.kind+"/"+w.id
		version := text(mapOf(s.current(name)["meta"])["versionId"])
		if w.body != nil {
			version = s.store(w.kind, w.id, w.body)
		}
		if w.created {
			status = "201 Created"
		}
		answers = append(answers, Resource{"response": Resource{
			"status": status, "location": s.Base() + "/" + name + "/_history/" + version, "etag": `W/"` + version + `"`,
		}})
	}
	return Resource{"resourceType": "Bundle", "type": "transaction-response", "entry": answers}, nil
}

// prepare finds what an entry is about.
func (s *Server) prepare(e Resource) (write, *refusal) {
	request, body := e["request"].(Resource), clone(e["resource"].(Resource))
	kind := text(body["resourceType"])
	u, err := url.Parse(text(request["url"]))
	if err != nil {
		return write{}, fail(http.StatusBadRequest, "invalid", "no URL")
	}
	switch {
	case request["method"] == "POST" && u.Path == kind && request["ifNoneExist"] != nil:
		found := s.search(&url.URL{Path: kind, RawQuery: text(request["ifNoneExist"])})
		return s.one(found, kind, nil, body)
	case request["method"] == "PUT" && u.Path == kind && u.RawQuery != "":
		if body["id"] != nil {
			return write{}, fail(http.StatusBadRequest, "invalid", "an id in a conditional update")
		}
		return s.one(s.search(u), kind, body, body)
	case request["method"] == "PUT" && strings.HasPrefix(u.Path, kind+"/"):
		id := strings.TrimPrefix(u.Path, kind+"/")
		now := s.current(u.Path)
		switch {
		case body["id"] != id:
			return write{}, fail(http.StatusBadRequest, "invalid", "another id in the body")
		case now == nil:
			return write{}, fail(http.StatusNotFound, "not-found", "this server gives the ids")
		case request["ifMatch"] != nil && request["ifMatch"] != `W/"`+text(mapOf(now["meta"])["versionId"])+`"`:
			return write{}, fail(http.StatusPreconditionFailed, "conflict", "another version")
		}
		return write{kind: kind, id: id, body: body}, nil
	}
	return write{}, fail(http.StatusBadRequest, "not-supported", "no such interaction")
}

// one ends a condition: nothing found creates, one is written as given, more are refused.
func (s *Server) one(found map[string]Resource, kind string, update, create Resource) (write, *refusal) {
	switch len(found) {
	case 0:
		return write{kind: kind, id: s.newID(), body: create, created: true}, nil
	case 1:
		for name := range found {
			return write{kind: kind, id: strings.TrimPrefix(name, kind+"/"), body: update}, nil
		}
	}
	return write{}, fail(http.StatusPreconditionFailed, "multiple-matches", "more than one fits")
}

// resolve puts literal references in the place of all others, and refuses what leads nowhere.
func (s *Server) resolve(value any, fullURLs map[string]string, written map[string]bool) *refusal {
	switch v := value.(type) {
	case Resource:
		if ref, ok := v["reference"].(string); ok {
			to, no := s.target(ref, fullURLs, written)
			if no != nil {
				return no
			}
			v["reference"] = to
		}
		for _, child := range v {
			if no := s.resolve(child, fullURLs, written); no != nil {
				return no
			}
		}
	case []any:
		for _, child := range v {
			if no := s.resolve(child, fullURLs, written); no != nil {
				return no
			}
		}
	}
	return nil
}

func (s *Server) target(ref string, fullURLs map[string]string, written map[string]bool) (string, *refusal) {
	if to := fullURLs[ref]; to != "" {
		return to, nil
	}
	if kind, query, conditional := strings.Cut(ref, "?"); conditional {
		found := s.search(&url.URL{Path: kind, RawQuery: query})
		if len(found) != 1 {
			return "", fail(http.StatusPreconditionFailed, "not-found", "a conditional reference fits not exactly one: "+ref)
		}
		for name := range found {
			return name, nil
		}
	}
	if written[ref] || s.current(ref) != nil {
		return ref, nil
	}
	return "", fail(http.StatusUnprocessableEntity, "not-found", "a reference leads nowhere: "+ref)
}

func decode(body []byte) Resource {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var r Resource
	if err := d.Decode(&r); err != nil {
		panic(err) // it was checked before, or is a test's own
	}
	return r
}

func clone(r Resource) Resource {
	body, err := json.Marshal(r)
	if err != nil {
		panic(err) // it was JSON
	}
	return decode(body)
}

// list gives the items of an element that may repeat.
func list(v any) []any {
	switch v := v.(type) {
	case []any:
		return v
	case nil:
		return nil
	}
	return []any{v}
}

func text(v any) string {
	s, _ := v.(string)
	return s
}

func mapOf(v any) Resource {
	r, _ := v.(Resource)
	return r
}
