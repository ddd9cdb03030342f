package main

import (
	"fmt"
	"slices"
	"strings"
)

// snapshot applies a differential to the snapshot of the profile's base
// (hl7.org/fhir/R4/profiling.html#snapshot). Elements of data types are unfolded where
// the differential goes below them, and slices are copies of what they slice.
type snapshot struct {
	published structures
	elements  []element
}

func newSnapshot(published structures, base []element) *snapshot {
	s := &snapshot{published: published}
	for _, e := range base {
		s.elements = append(s.elements, e.rename("", ""))
	}
	return s
}

func (s *snapshot) apply(differential []element) error {
	for _, d := range differential {
		i := s.index(d.id())
		if i < 0 {
			if err := s.make(d.id()); err != nil {
				return err
			}
			i = s.index(d.id())
		}
		if i < 0 {
			return fmt.Errorf("there is no element %s", d.id())
		}
		s.elements[i].overlay(d)
	}
	return nil
}

func (s *snapshot) index(id string) int {
	return slices.IndexFunc(s.elements, func(e element) bool { return e.id() == id })
}

// make brings an element into being: a slice, or what is below a data type.
func (s *snapshot) make(id string) error {
	dot := strings.LastIndexByte(id, '.')
	if step, slice, ok := strings.Cut(id[dot+1:], ":"); ok {
		return s.slice(id[:dot+1]+step, slice)
	}
	return s.unfold(id[:dot])
}

// slice copies an element and all below it, after itself and its other slices.
func (s *snapshot) slice(of, name string) error {
	from := s.index(of)
	if from < 0 {
		return fmt.Errorf("there is no element %s to slice", of)
	}
	var copied []element
	end := from
	for i, e := range s.elements {
		switch id := e.id(); {
		case id == of || strings.HasPrefix(id, of+"."):
			copied = append(copied, e.rename(of, of+":"+name))
			end = i + 1
		case strings.HasPrefix(id, of+":"):
			end = i + 1
		}
	}
	head := copied[0]
	delete(head, "slicing")
	head.set("sliceName", name)
	head.set("min", 0)
	s.elements = slices.Insert(s.elements, end, copied...)
	return nil
}

// unfold puts the elements of its one type below an element.
func (s *snapshot) unfold(id string) error {
	i := s.index(id)
	if i < 0 {
		return fmt.Errorf("there is no element %s", id)
	}
	types := s.elements[i].types()
	if len(types) != 1 || s.published[types[0]] == nil {
		return fmt.Errorf("%s has the types %q: only one can be unfolded", id, types)
	}
	var below []element
	for _, e := range s.published[types[0]].Snapshot.Element[1:] {
		below = append(below, e.rename(types[0], id))
	}
	s.elements = slices.Insert(s.elements, i+1, below...)
	return nil
}
