package tree

import "iter"

// Kind is the JSON kind of a node.
type Kind uint8

// The kinds. The zero Kind is that of a nil node: nothing is there.
const (
	Absent Kind = iota
	Null
	Bool
	Number
	String
	Array
	Object
)

// String names the kind as a person would.
func (k Kind) String() string {
	switch k {
	case Null:
		return "null"
	case Bool:
		return "boolean"
	case Number:
		return "number"
	case String:
		return "string"
	case Array:
		return "array"
	case Object:
		return "object"
	case Absent:
		return "nothing"
	}
	return "unknown"
}

// Node is one JSON value. A tree never changes after it was parsed and is safe
// for concurrent use. Every method works on a nil node, which means absent.
type Node struct {
	Name string // decoded member name; "" for array items and the root
	Text string // decoded string, source text of a number, "true" or "false"; else ""
	Kind Kind

	companions  bool  // a member's name starts with "_"
	count       int32 // members or items
	start, end  int32 // bytes of the value in the source
	first, next *Node
}

// Is reports whether the node has the given kind; a nil node is Absent.
func (n *Node) Is(k Kind) bool {
	if n == nil {
		return k == Absent
	}
	return n.Kind == k
}

// Len is the number of members of an object or items of an array, else 0.
func (n *Node) Len() int {
	if n == nil {
		return 0
	}
	return int(n.count)
}

// First gives the first member or item, nil when there is none.
func (n *Node) First() *Node {
	if n == nil {
		return nil
	}
	return n.first
}

// Next gives the member or item after this one, nil after the last.
func (n *Node) Next() *Node {
	if n == nil {
		return nil
	}
	return n.next
}

// Get gives the member with this name, nil when there is none or n is no object.
func (n *Node) Get(name string) *Node {
	if n == nil || n.Kind != Object {
		return nil
	}
	for c := n.first; c != nil; c = c.next {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// HasCompanions reports whether an object has a member whose name starts with "_".
func (n *Node) HasCompanions() bool { return n != nil && n.companions }

// Companion gives the member "_name", which in R4 JSON carries the id and the
// extensions of the primitive member name.
func (n *Node) Companion(name string) *Node {
	if !n.HasCompanions() {
		return nil
	}
	for c := n.first; c != nil; c = c.next {
		if len(c.Name) == len(name)+1 && c.Name[0] == '_' && c.Name[1:] == name {
			return c
		}
	}
	return nil
}

// Str gives the text of the string member with this name, "" when it is absent or
// of another kind.
func (n *Node) Str(name string) string {
	if c := n.Get(name); c != nil && c.Kind == String {
		return c.Text
	}
	return ""
}

// At gives the item or member at this position, nil when there is none.
func (n *Node) At(i int) *Node {
	if n == nil || i < 0 {
		return nil
	}
	c := n.first
	for ; c != nil && i > 0; i-- {
		c = c.next
	}
	return c
}

// Items ranges over the items of an array in order. A node that is no array is
// its own only item, so that one loop reads an element whether or not it repeats;
// a nil node has none.
func (n *Node) Items() iter.Seq[*Node] {
	return func(yield func(*Node) bool) {
		if n == nil {
			return
		}
		if n.Kind != Array {
			yield(n)
			return
		}
		for c := n.first; c != nil && yield(c); c = c.next {
		}
	}
}

// Members ranges over the members of an object in source order, none for other
// kinds.
func (n *Node) Members() iter.Seq[*Node] {
	return func(yield func(*Node) bool) {
		if n == nil || n.Kind != Object {
			return
		}
		for c := n.first; c != nil && yield(c); c = c.next {
		}
	}
}
