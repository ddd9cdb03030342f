package pushtest

import (
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fhirsvc/internal/fhir/outcome"
)

// Resource is a resource as the server has it.
type Resource = map[string]any

// Fault is what goes wrong with one request. The zero value lets it through.
type Fault struct {
	Status     int    // it is answered with this and not looked at
	Body       string // of that answer
	RetryAfter string
	Drop       bool          // it is carried out, and the connection breaks before the answer
	Cut        bool          // it is not even read
	Late       bool          // it is answered with 504, and carried out just before or after the next one that is
	Delay      time.Duration // it is carried out so much later, or not at all if the client has gone
}

// Validator checks a resource against the published definitions.
type Validator interface {
	Resource(body []byte) []outcome.Issue
}

// Server is the external FHIR server.
type Server struct {
	*httptest.Server
	validator Validator

	mu        sync.Mutex
	resources map[string][]Resource // Type/id to its versions; the last one is nil when it was deleted
	ids       int
	faults    func(kind string) Fault
	token     func(bearer string) bool
	Requests  []string            // the kinds of Bundles that came
	late      [][]any             // transactions
	asked     map[string][]string // searches, and what they found the first time
	writes    int
}

// New starts a server that ends with the test. Its base is URL with /fhir.
func New(t testing.TB, v Validator) *Server {
	s := &Server{validator: v, resources: map[string][]Resource{}, asked: map[string][]string{}, faults: func(string) Fault { return Fault{} }}
	s.Server = httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(s.Close)
	return s
}

// Base is where the server's FHIR interface is.
func (s *Server) Base() string { return s.URL + "/fhir" }

// Forget takes everything away that the server has and was asked.
func (s *Server) Forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.resources, s.asked, s.late, s.Requests, s.writes = map[string][]Resource{}, map[string][]string{}, nil, nil, 0
}

// Fail has each request judged: kind is transaction or batch.
func (s *Server) Fail(f func(kind string) Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = f
}

// Authorize lets nobody in whose token is not taken.
func (s *Server) Authorize(taken func(bearer string) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.token = taken
}

// Put stores a resource as if others had written it, and gives its id.
func (s *Server) Put(body string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := decode([]byte(body))
	id := s.newID()
	s.store(r["resourceType"].(string), id, r)
	return id
}

// Edit changes a resource as if others had.
func (s *Server) Edit(name string, change func(Resource)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := clone(s.current(name))
	change(r)
	kind, id, _ := strings.Cut(name, "/")
	s.store(kind, id, r)
}

// Delete takes a resource away as if others had.
func (s *Server) Delete(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.resources[name] = append(s.resources[name], nil)
}

// Find gives what has an identifier, by Type/id.
func (s *Server) Find(resourceType, system, value string) map[string]Resource {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.find(resourceType, system, value)
}

// All gives everything that is there, by Type/id.
func (s *Server) All() map[string]Resource {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := map[string]Resource{}
	for name := range s.resources {
		if r := s.current(name); r != nil {
			all[name] = r
		}
	}
	return all
}

// Writes is how many transactions were carried out.
func (s *Server) Writes() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.writes
}

func (s *Server) serve(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(io.LimitReader(r.Body, 32<<20))
	if err != nil {
		return
	}
	var head struct{ ResourceType, Type string }
	_ = json.Unmarshal(body, &head) // what is no JSON is refused below
	s.mu.Lock()
	fault, token := s.faults(head.Type), s.token
	s.Requests = append(s.Requests, head.Type)
	s.mu.Unlock()
	switch {
	case fault.Cut:
		panic(http.ErrAbortHandler)
	case fault.Status != 0:
		w.Header().Set("Retry-After", fault.RetryAfter)
		w.WriteHeader(fault.Status)
		_, _ = io.WriteString(w, fault.Body)
		return
	case token != nil && !token(strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")):
		refuse(w, fail(http.StatusUnauthorized, "login", "no token that is taken"))
		return
	}
	if fault.Delay > 0 {
		select {
		case <-time.After(fault.Delay):
		case <-r.Context().Done():
			return
		}
	}
	answer, refusal := s.handle(r, head.Type, body, fault.Late)
	if fault.Late {
		w.WriteHeader(http.StatusGatewayTimeout)
		return
	}
	if fault.Drop {
		panic(http.ErrAbortHandler)
	}
	if refusal != nil {
		refuse(w, refusal)
		return
	}
	w.Header().Set("Content-Type", "application/fhir+json")
	_ = json.NewEncoder(w).Encode(answer)
}

// handle carries a Bundle out.
func (s *Server) handle(r *http.Request, kind string, body []byte, late bool) (any, *refusal) {
	switch {
	case r.Method != http.MethodPost || r.URL.Path != "/fhir":
		return nil, fail(http.StatusNotFound, "not-found", "nothing is here")
	case r.Header.Get("Content-Type") != "application/fhir+json":
		return nil, fail(http.StatusUnsupportedMediaType, "not-supported", "no FHIR JSON")
	}
	if issues := s.validator.Resource(body); outcome.HasErrors(issues) {
		return nil, fail(http.StatusUnprocessableEntity, "invalid", fmt.Sprint(issues))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	entries := list(decode(body)["entry"])
	if kind == "batch" {
		return s.batch(entries, r.Header.Get("Cache-Control") == "no-cache"), nil
	}
	if late {
		s.late = append(s.late, entries)
		return nil, nil
	}
	overdue, before := s.late, s.writes%2 == 0
	s.late = nil
	if before {
		s.overdue(overdue)
	}
	answer, no := s.transaction(entries)
	if !before {
		s.overdue(overdue)
	}
	if no != nil {
		return nil, no
	}
	return answer, nil
}

// overdue carries out what was answered before it was done; nobody hears of it.
func (s *Server) overdue(late [][]any) {
	for _, entries := range late {
		_, _ = s.transaction(entries)
	}
}

// batch answers searches by identifier. What was asked before finds the same again, as on servers
// that keep what they found for a minute, unless the client wants it fresh
// (RFC 9111 section 5.2.1.4).
func (s *Server) batch(entries []any, fresh bool) Resource {
	var answers []any
	for _, e := range entries {
		asked := e.(Resource)["request"].(Resource)["url"].(string)
		matches, kept := s.asked[asked]
		if !kept || fresh {
			u, _ := url.Parse(asked)
			matches = slices.Sorted(maps.Keys(s.search(u)))
			s.asked[asked] = matches
		}
		found := []any{}
		for _, name := range matches {
			if r := s.current(name); r != nil {
				found = append(found, Resource{"fullUrl": s.Base() + "/" + name, "resource": r})
			}
		}
		answers = append(answers, Resource{
			"resource": Resource{"resourceType": "Bundle", "type": "searchset", "total": len(found), "entry": found},
			"response": Resource{"status": "200 OK"},
		})
	}
	return Resource{"resourceType": "Bundle", "type": "batch-response", "entry": answers}
}

// search gives what a URL such as Task?identifier=system|value finds.
func (s *Server) search(u *url.URL) map[string]Resource {
	system, value, _ := strings.Cut(u.Query().Get("identifier"), "|")
	return s.find(u.Path, system, value)
}

func (s *Server) find(resourceType, system, value string) map[string]Resource {
	found := map[string]Resource{}
	for name := range s.resources {
		r := s.current(name)
		if r == nil || r["resourceType"] != resourceType {
			continue
		}
		for _, i := range list(r["identifier"]) {
			if i := i.(Resource); text(i["system"]) == system && text(i["value"]) == value {
				found[name] = r
			}
		}
	}
	return found
}

func (s *Server) current(name string) Resource {
	versions := s.resources[name]
	if len(versions) == 0 {
		return nil
	}
	return versions[len(versions)-1]
}

func (s *Server) newID() string {
	s.ids++
	return strconv.Itoa(1000 + s.ids)
}

// store adds a version.
func (s *Server) store(kind, id string, r Resource) (version string) {
	name := kind + "/" + id
	version = strconv.Itoa(len(s.resources[name]) + 1)
	r["id"] = id
	meta, _ := r["meta"].(Resource)
	if meta == nil {
		meta = Resource{}
	}
	meta["versionId"], meta["lastUpdated"] = version, "2031-03-04T09:00:00Z"
	r["meta"] = meta
	s.resources[name] = append(s.resources[name], r)
	return version
}

// PEM writes a certificate as a file of authorities has it.
func PEM(c *x509.Certificate) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})
}
