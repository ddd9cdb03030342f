package definitions

import (
	"encoding/json"

	"fhirsvc/internal/fhir/tree"
)

// Profile is what a constraining StructureDefinition says beyond its type. Taken
// from a snapshot it holds what its base profiles say as well; taken from a
// differential alone it names its base.
type Profile struct {
	URL  string `json:"u"`
	Name string `json:"n"`
	Type string `json:"t"`
	Base string `json:"b,omitempty"` // URL of a profile that applies as well
	Root *Rule  `json:"r"`
}

// Rule is what a profile says of one element or slice. A zero field says nothing.
type Rule struct {
	Name        string       `json:"n,omitempty"` // element name without "[x]", "" at the root
	SliceName   string       `json:"sn,omitempty"`
	Min         int          `json:"i,omitempty"`
	Max         *int         `json:"m,omitempty"` // nil means no limit beyond the type's
	Types       []TypeRef    `json:"t,omitempty"`
	Binding     *Binding     `json:"b,omitempty"`
	Constraints []Constraint `json:"c,omitempty"`
	Slicing     *Slicing     `json:"s,omitempty"`
	Slices      []*Rule      `json:"l,omitempty"`
	Children    []*Rule      `json:"e,omitempty"`

	FixedJSON   json.RawMessage `json:"f,omitempty"`
	PatternJSON json.RawMessage `json:"a,omitempty"`
	Fixed       *tree.Node      `json:"-"` // parsed FixedJSON
	Pattern     *tree.Node      `json:"-"` // parsed PatternJSON
}

// Slicing says how the items of an element are told apart.
type Slicing struct {
	Discriminators []Discriminator `json:"d,omitempty"`
	Closed         bool            `json:"c,omitempty"`
	OpenAtEnd      bool            `json:"a,omitempty"`
	Ordered        bool            `json:"o,omitempty"`
}

// Discriminator is ElementDefinition.slicing.discriminator.
type Discriminator struct {
	Type string `json:"t"` // value, exists, pattern, type or profile
	Path string `json:"p"`
}

// link parses the fixed and pattern values of a rule and of all below it.
func (r *Rule) link() {
	if r == nil {
		return
	}
	r.Fixed, r.Pattern = parseValue(r.FixedJSON), parseValue(r.PatternJSON)
	for _, c := range r.Children {
		c.link()
	}
	for _, s := range r.Slices {
		s.link()
	}
}

func parseValue(raw json.RawMessage) *tree.Node {
	if len(raw) == 0 {
		return nil
	}
	doc, _ := tree.Parse(raw)
	if doc == nil {
		return nil
	}
	return doc.Root
}
