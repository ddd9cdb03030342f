package mutate

import (
	"slices"
	"strings"
)

// Seed is a valid resource that mutants are made from.
type Seed struct {
	Name string // "Bundle", "Bundle-history"
	Body []byte
}

// Corpus gives the mutants of all seeds and of further valid resources, and what the
// tables break, each sort of fault once: in the same order each time, every ID once.
func Corpus(further ...[]byte) []Mutant {
	o, seeds := once{}, Seeds()
	var out []Mutant
	for _, s := range seeds {
		out = append(out, of(s.Body, o.first)...)
	}
	for _, body := range further {
		out = append(out, of(body, o.first)...)
	}
	for _, v := range violations() {
		if m := v.mutant(seeds); o.first(m) {
			out = append(out, m)
		}
	}
	return out
}

// once remembers what there was.
type once map[string]bool

// first reports whether there was no such mutant before. A fault is of one sort with that
// of the same element in another place, of the same type of resource; where it breaks
// JSON's own rules within a data type, of any type of resource; and a primitive type's
// further bad values have one element each.
func (o once) first(m Mutant) bool {
	key := m.ID()
	_, way, _ := strings.Cut(m.What, "/")
	switch {
	case m.Class == Format && way != "":
		key = m.Class + "/" + way
	case ofJSON(m.Class) && !strings.HasPrefix(m.What, m.Type+"."):
		key = m.Class + "/" + m.What
	}
	if o[key] {
		return false
	}
	o[key] = true
	return true
}

func ofJSON(class string) bool {
	return slices.Contains([]string{Array, Companion, Duplicate, Empty, Null}, class)
}
