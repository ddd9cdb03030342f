package definitions

import (
	"bytes"
	"compress/gzip"
	_ "embed" // the definitions file
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strings"
	"sync"
)

//go:embed r4.ndjson.gz
var r4File []byte

// R4 gives the published definitions. It is unpacked at the first call, in some
// milliseconds; types, profiles and value sets are decoded when they are asked for.
// Safe for concurrent use.
var R4 = sync.OnceValue(func() *Set {
	s, err := Open(r4File)
	if err != nil {
		panic(fmt.Errorf("embedded definitions: %w", err)) // the build is broken
	}
	return s
})

// Set is a collection of definitions.
type Set struct {
	types       map[string]*lazy[Type]
	profiles    map[string]*lazy[Profile]
	valueSets   map[string]*lazy[ValueSet]
	codeSystems map[string]*lazy[CodeSystem]
	displays    func() map[string][]byte   // JSON of displays, by code system
	named       func() map[string]struct{} // URLs of code systems
	search      lazyList
	dataTypes   func()
}

// lazy decodes a line of the file once.
type lazy[T any] struct {
	line  []byte
	once  sync.Once
	value *T
}

func (l *lazy[T]) get(link func(*T)) *T {
	if l == nil {
		return nil
	}
	l.once.Do(func() {
		v := new(T)
		if err := json.Unmarshal(l.line, v); err != nil {
			panic(fmt.Errorf("definitions file: %w", err)) // written by the generator beside us
		}
		link(v)
		l.value, l.line = v, nil
	})
	return l.value
}

type lazyList struct {
	lines [][]byte
	once  sync.Once
	all   []SearchParameter
}

// Version is that of the file's layout; a file of another version is refused.
const Version = "4"

// Open reads a definitions file: two gzip members of lines "kind key json", the first
// line being "definitions VERSION SOURCE". The second member, the displays of codes, is
// unpacked when it is first needed.
func Open(file []byte) (*Set, error) {
	in := bytes.NewReader(file)
	text, err := unpack(in)
	if err != nil {
		return nil, err
	}
	second := file[len(file)-in.Len():]
	head, rest, _ := bytes.Cut(text, []byte("\n"))
	if !bytes.HasPrefix(head, []byte("definitions "+Version+" ")) {
		return nil, fmt.Errorf("definitions file of another layout: %.40q", head)
	}
	s := &Set{
		types: map[string]*lazy[Type]{}, profiles: map[string]*lazy[Profile]{}, valueSets: map[string]*lazy[ValueSet]{},
		codeSystems: map[string]*lazy[CodeSystem]{},
		displays:    sync.OnceValue(func() map[string][]byte { return readDisplays(second) }),
		named:       func() map[string]struct{} { return nil },
	}
	for len(rest) > 0 {
		var line []byte
		line, rest, _ = bytes.Cut(rest, []byte("\n"))
		if err := s.index(line); err != nil {
			return nil, err
		}
	}
	s.dataTypes = sync.OnceFunc(s.linkDataTypes)
	return s, nil
}

// unpack reads one gzip member, and no byte beyond it.
func unpack(in *bytes.Reader) ([]byte, error) {
	zr, err := gzip.NewReader(in)
	if err != nil {
		return nil, err
	}
	zr.Multistream(false)
	return io.ReadAll(zr)
}

func (s *Set) index(line []byte) error {
	kind, rest, _ := bytes.Cut(line, []byte(" "))
	name, body, ok := bytes.Cut(rest, []byte(" "))
	if !ok {
		return fmt.Errorf("definitions file: bad line %.40q", line)
	}
	key := string(name)
	switch string(kind) {
	case "type":
		s.types[key] = &lazy[Type]{line: body}
	case "profile":
		s.profiles[key] = &lazy[Profile]{line: body}
	case "valueset":
		s.valueSets[key] = &lazy[ValueSet]{line: body}
	case "codesystem":
		s.codeSystems[key] = &lazy[CodeSystem]{line: body}
	case "systems":
		s.named = sync.OnceValue(func() map[string]struct{} { return words(body) })
	case "search":
		s.search.lines = append(s.search.lines, body)
	default:
		return fmt.Errorf("definitions file: unknown kind %q", kind)
	}
	return nil
}

// words reads a list of URLs, which have no spaces.
func words(list []byte) map[string]struct{} {
	out := map[string]struct{}{}
	for url := range strings.FieldsSeq(string(list)) {
		out[url] = struct{}{}
	}
	return out
}

// Type gives a resource or data type by name, nil when R4 has none of this name.
func (s *Set) Type(name string) *Type {
	l := s.types[name]
	if l == nil {
		return nil
	}
	s.dataTypes()
	return l.get(s.linkType)
}

// TypeNames gives the names of all types in alphabetical order.
func (s *Set) TypeNames() []string { return sortedKeys(s.types) }

// Profile gives a published profile by its canonical URL (a version after "|" is
// ignored), nil when there is none.
func (s *Set) Profile(url string) *Profile {
	return s.profiles[WithoutVersion(url)].get(func(p *Profile) { p.Root.link() })
}

// ProfileURLs gives the URLs of all profiles in alphabetical order.
func (s *Set) ProfileURLs() []string { return sortedKeys(s.profiles) }

// ValueSet gives an expanded value set by its canonical URL (a version after "|" is
// ignored), nil when it is not among those kept.
func (s *Set) ValueSet(url string) *ValueSet {
	return s.valueSets[WithoutVersion(url)].get((*ValueSet).link)
}

// ValueSetURLs gives the URLs of all value sets in alphabetical order.
func (s *Set) ValueSetURLs() []string { return sortedKeys(s.valueSets) }

// SearchParameters gives all search parameters, in order of URL.
func (s *Set) SearchParameters() []SearchParameter {
	s.search.once.Do(func() {
		for _, line := range s.search.lines {
			var p SearchParameter
			if err := json.Unmarshal(line, &p); err != nil {
				panic(fmt.Errorf("definitions file: %w", err)) // written by the generator beside us
			}
			s.search.all = append(s.search.all, p)
		}
		s.search.lines = nil
	})
	return s.search.all
}

// SearchParametersOf gives the search parameters of one resource type, those of
// Resource and DomainResource included, in order of URL.
func (s *Set) SearchParametersOf(resourceType string) []SearchParameter {
	t := s.Type(resourceType)
	var out []SearchParameter
	for _, p := range s.SearchParameters() {
		for _, b := range p.Base {
			if t.Is(b) {
				out = append(out, p)
				break
			}
		}
	}
	return out
}

// WithoutVersion cuts the version off a canonical URL.
func WithoutVersion(url string) string {
	bare, _, _ := strings.Cut(url, "|")
	return bare
}

// StructureURL gives the canonical URL of a type or profile that TypeRef.Targets
// names without R4's own namespace; a whole URL stays as it is.
func StructureURL(target string) string {
	if strings.Contains(target, ":") {
		return target
	}
	return structureBase + target
}

func sortedKeys[T any](m map[string]T) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}
