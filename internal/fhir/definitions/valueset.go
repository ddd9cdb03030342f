package definitions

// ValueSet is an expanded value set.
type ValueSet struct {
	URL     string   `json:"u"`
	Open    bool     `json:"o,omitempty"` // true when codes beyond these may belong to it
	Systems []Codes  `json:"s,omitempty"`
	Any     []string `json:"a,omitempty"` // code systems of which every code belongs to it

	codes   map[string]struct{}
	systems map[string]map[string]struct{}
}

// Codes are the codes of one code system, in published order.
type Codes struct {
	System string   `json:"s"`
	Codes  []string `json:"c"`
}

// HasCode reports whether any code system of the set has the code.
func (v *ValueSet) HasCode(code string) bool {
	_, ok := v.codes[code]
	return ok
}

// Has reports whether the set has the code of this system.
func (v *ValueSet) Has(system, code string) bool {
	for _, s := range v.Any {
		if s == system {
			return true
		}
	}
	_, ok := v.systems[system][code]
	return ok
}

func (v *ValueSet) link() {
	v.codes = map[string]struct{}{}
	v.systems = make(map[string]map[string]struct{}, len(v.Systems))
	for _, s := range v.Systems {
		m := v.systems[s.System]
		if m == nil {
			m = make(map[string]struct{}, len(s.Codes))
			v.systems[s.System] = m
		}
		for _, c := range s.Codes {
			m[c] = struct{}{}
			v.codes[c] = struct{}{}
		}
	}
}

// SearchParameter is a published search parameter.
type SearchParameter struct {
	URL         string            `json:"u"`
	Code        string            `json:"c"`
	Type        string            `json:"t"` // number, date, string, token, reference, composite, quantity, uri, special
	Base        []string          `json:"b"` // resource types; "Resource" and "DomainResource" mean all of them
	Expression  string            `json:"e,omitempty"`
	Targets     []string          `json:"g,omitempty"`
	Comparators []string          `json:"p,omitempty"`
	Modifiers   []string          `json:"m,omitempty"`
	Components  []SearchComponent `json:"o,omitempty"` // of a composite
}

// SearchComponent is a part of a composite search parameter: another parameter, and the
// expression that leads to it from what the composite's own expression gives.
type SearchComponent struct {
	Definition string `json:"d"`
	Expression string `json:"e"`
}
