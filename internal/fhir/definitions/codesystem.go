package definitions

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
)

// CodeSystem is a code system of which all codes are at hand.
type CodeSystem struct {
	URL   string   `json:"u"`
	Codes []string `json:"c"`
	Fold  bool     `json:"f,omitempty"` // caseSensitive is false

	codes    map[string]struct{}
	displays func() map[string][]string
}

// Has reports whether the system defines the code, abstract ones included.
func (s *CodeSystem) Has(code string) bool {
	_, ok := s.codes[s.key(code)]
	return ok
}

// Displays gives the display of a code and its other designations, none where the
// system has none. They are decoded when they are first asked for.
func (s *CodeSystem) Displays(code string) []string { return s.displays()[s.key(code)] }

func (s *CodeSystem) key(code string) string {
	if s.Fold {
		return strings.ToLower(code)
	}
	return code
}

// displays has for each code of a system, in the same order, its display and other
// designations.
type displays [][]string

// link makes the system ready; shown gives its displays.
func (s *CodeSystem) link(shown func() displays) {
	s.codes = make(map[string]struct{}, len(s.Codes))
	for _, c := range s.Codes {
		s.codes[s.key(c)] = struct{}{}
	}
	s.displays = sync.OnceValue(func() map[string][]string {
		out := map[string][]string{}
		for i, d := range shown() {
			key := s.key(s.Codes[i])
			out[key] = append(out[key], d...)
		}
		return out
	})
}

// CodeSystem gives a published code system by URL, nil when it is not known whole.
func (s *Set) CodeSystem(url string) *CodeSystem {
	return s.codeSystems[url].get(func(c *CodeSystem) {
		c.link(func() displays { return decodeDisplays(s.displays()[url]) })
	})
}

// readDisplays unpacks the second member of a definitions file: lines "displays url json".
func readDisplays(member []byte) map[string][]byte {
	text, err := unpack(bytes.NewReader(member))
	if err != nil {
		panic(fmt.Errorf("embedded definitions: %w", err)) // the build is broken
	}
	out := map[string][]byte{}
	for line := range bytes.Lines(text) {
		_, rest, _ := bytes.Cut(line, []byte(" "))
		url, body, _ := bytes.Cut(rest, []byte(" "))
		out[string(url)] = body
	}
	return out
}

func decodeDisplays(body []byte) displays {
	var out displays
	if err := json.Unmarshal(body, &out); err != nil {
		panic(fmt.Errorf("definitions file: %w", err)) // written by the generator beside us
	}
	return out
}

// Names reports whether a code system is one that the published code systems are, or
// the published value sets draw on, whether or not its codes are at hand.
func (s *Set) Names(system string) bool {
	if s.codeSystems[system] != nil {
		return true
	}
	_, ok := s.named()[system]
	return ok
}
