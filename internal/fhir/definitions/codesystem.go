package definitions

import "strings"

// CodeSystem is a code system of which all codes are at hand.
type CodeSystem struct {
	URL   string   `json:"u"`
	Codes []string `json:"c"`
	Fold  bool     `json:"f,omitempty"` // caseSensitive is false

	codes map[string]struct{}
}

// Has reports whether the system defines the code, abstract ones included.
func (s *CodeSystem) Has(code string) bool {
	_, ok := s.codes[s.key(code)]
	return ok
}

func (s *CodeSystem) key(code string) string {
	if s.Fold {
		return strings.ToLower(code)
	}
	return code
}

func (s *CodeSystem) link() {
	s.codes = make(map[string]struct{}, len(s.Codes))
	for _, c := range s.Codes {
		s.codes[s.key(c)] = struct{}{}
	}
}

// CodeSystem gives a published code system by URL, nil when it is not known whole.
func (s *Set) CodeSystem(url string) *CodeSystem {
	return s.codeSystems[url].get((*CodeSystem).link)
}
