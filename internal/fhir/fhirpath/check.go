package fhirpath

import (
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// static is what can be told of a collection from the expression alone.
type static struct {
	known     bool // false: it may hold anything
	unordered bool // of children() and descendants()
	members   []*definitions.Member
}

// checker follows types through an expression and refuses what they cannot have.
type checker struct {
	c    *compiler
	set  *definitions.Set
	root static
	this static
}

func (c *compiler) check(n *ast) error {
	set := definitions.R4()
	t := set.Type(c.strict)
	if t == nil {
		return nil
	}
	root := static{known: true, members: []*definitions.Member{t.Self}}
	k := checker{c: c, set: set, root: root, this: root}
	_, err := k.infer(n, root, true)
	return err
}

func (k *checker) infer(n *ast, focus static, head bool) (static, error) {
	switch n.kind {
	case astName:
		return k.name(n, focus, head)
	case astDot:
		left, err := k.infer(n.args[0], focus, head)
		if err != nil {
			return static{}, err
		}
		return k.infer(n.args[1], left, false)
	case astIndex:
		return k.index(n, focus, head)
	case astCall:
		return k.call(n, focus)
	case astType:
		if _, err := k.infer(n.args[0], focus, true); err != nil || n.name == "is" {
			return static{}, err
		}
		return k.ofType(n.text), nil
	case astBinary, astUnary:
		return k.operator(n, focus)
	case astVariable:
		// The resource around a data type may be any.
		if k.root.members[0].Type.Kind == definitions.Resource && (n.name == "resource" || n.name == "context") {
			return k.root, nil
		}
	case astDollar:
		if n.name == "this" {
			return k.this, nil
		}
	case astLiteral, astEmpty, astQuantity:
	}
	return static{}, nil
}

func (k *checker) name(n *ast, focus static, head bool) (static, error) {
	if !focus.known {
		return static{}, nil
	}
	out := static{known: true}
	var types []string
	for _, m := range focus.members {
		if head && m.Type.Is(n.name) {
			return focus, nil
		}
		if m.Type.Kind == definitions.Resource && m.Type.Abstract {
			return static{}, nil // a resource of any type
		}
		types = append(types, m.Type.Name)
		if e := m.Shape.Element(n.name); e != nil {
			out.members = append(out.members, e.Members...)
		}
	}
	if len(out.members) == 0 {
		return static{}, k.c.fail(n, "%s has no element %s", strings.Join(types, " or "), n.name)
	}
	return out, nil
}

func (k *checker) index(n *ast, focus static, head bool) (static, error) {
	list, err := k.infer(n.args[0], focus, head)
	if err != nil {
		return static{}, err
	}
	if _, err := k.infer(n.args[1], k.this, true); err != nil {
		return static{}, err
	}
	if list.unordered {
		return static{}, k.c.fail(n, "the items have no order, so none can be picked by its place")
	}
	return list, nil
}

func (k *checker) operator(n *ast, focus static) (static, error) {
	var sides []static
	for _, a := range n.args {
		s, err := k.infer(a, focus, true)
		if err != nil {
			return static{}, err
		}
		sides = append(sides, s)
	}
	if n.name == "|" && sides[0].known && sides[1].known {
		return static{known: true, members: append(append([]*definitions.Member{}, sides[0].members...), sides[1].members...)}, nil
	}
	return static{}, nil
}

func (k *checker) call(n *ast, focus static) (static, error) {
	switch n.name {
	case "is":
		return static{}, nil
	case "as", "ofType":
		spec, err := k.c.typeArg(n)
		if err != nil {
			return static{}, err
		}
		return k.ofType(spec.name), nil
	case "skip", "tail", "take", "first", "last":
		if focus.unordered {
			return static{}, k.c.fail(n, "the items have no order, so %s() has no meaning", n.name)
		}
	}
	last, err := k.arguments(n, focus)
	if err != nil {
		return static{}, err
	}
	switch n.name {
	case "where", "first", "last", "tail", "skip", "take", "single", "distinct", "trace", "exclude", "intersect", "sort":
		return focus, nil
	case "select":
		return last, nil
	case "children", "descendants":
		return static{unordered: true}, nil
	case "extension":
		return k.ofType("Extension"), nil
	}
	return static{}, nil
}

// arguments checks the arguments of a call: in a lambda $this is an item of the
// input, elsewhere what it is around the call. It gives the type of the last one.
func (k *checker) arguments(n *ast, focus static) (static, error) {
	seen, outer := k.this, k.this
	switch n.name {
	case "where", "select", "all", "exists", "iif", "sort", "trace":
		seen = focus
	case "repeat", "aggregate":
		seen = static{}
	}
	k.this = seen
	defer func() { k.this = outer }()
	var last static
	for _, a := range n.args {
		var err error
		if last, err = k.infer(a, seen, true); err != nil {
			return static{}, err
		}
	}
	return last, nil
}

func (k *checker) ofType(name string) static {
	t := k.set.Type(strings.TrimPrefix(name, "FHIR."))
	if t == nil {
		return static{}
	}
	return static{known: true, members: []*definitions.Member{t.Self}}
}
