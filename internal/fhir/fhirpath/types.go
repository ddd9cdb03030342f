package fhirpath

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// typeSpec is a type named in an expression.
type typeSpec struct {
	name   string
	system bool // System.name
	fhir   bool // FHIR.name
}

func (c *compiler) typeSpec(n *ast, name string) (typeSpec, error) {
	s := typeSpec{name: name}
	if rest, ok := strings.CutPrefix(name, "System."); ok {
		s.name, s.system = rest, true
	}
	if rest, ok := strings.CutPrefix(name, "FHIR."); ok {
		s.name, s.fhir = rest, true
	}
	if !s.system && definitions.R4().Type(s.name) != nil {
		return s, nil
	}
	if !s.fhir && (isSystemName(s.name) || s.system) {
		return s, nil
	}
	return s, c.fail(n, "the type %s is not known", name)
}

func isSystemName(name string) bool {
	for k := kindBoolean; k <= kindQuantity; k++ {
		if systemName(k) == name {
			return true
		}
	}
	return false
}

// is reports whether the value is of the type or of one that descends from it.
func (s typeSpec) is(v Value) bool {
	if v.kind == kindElement {
		return !s.system && v.fhirType().Is(s.name)
	}
	return !s.fhir && systemName(v.kind) == s.name
}

// as reports whether as() and ofType() keep the value: a primitive only as its own
// type, as HL7's test suite has it (gender.ofType(string) is empty).
func (s typeSpec) as(v Value) bool {
	if v.isPrimitive() {
		return !s.system && v.fhirType().Name == s.name
	}
	return s.is(v)
}

func (c *compiler) typeOperator(n *ast) (code, error) {
	left, err := c.compile(n.args[0], true)
	if err != nil {
		return code{}, err
	}
	spec, err := c.typeSpec(n, n.text)
	if err != nil {
		return code{}, err
	}
	apply := c.typeFunction(n.name, spec)
	return code{
		eval: func(e *Env, focus []Value) ([]Value, error) {
			in, err := left.eval(e, focus)
			if err != nil {
				return nil, err
			}
			return apply.eval(e, in)
		},
		test: func(e *Env, focus []Value) (Truth, error) {
			in, err := left.eval(e, focus)
			if err != nil {
				return Unknown, err
			}
			return apply.test(e, in)
		},
	}, nil
}

// typeFunction makes is, as or ofType.
func (c *compiler) typeFunction(name string, spec typeSpec) code {
	if name == "is" {
		return logical(func(_ *Env, in []Value) (Truth, error) {
			v, ok, err := single(in, "is")
			if err != nil || !ok {
				return Unknown, err
			}
			return truthOf(spec.is(v)), nil
		})
	}
	many := name == "ofType" || c.asFilters
	return collected(func(e *Env, in []Value) ([]Value, error) {
		if len(in) > 1 && !many {
			return nil, fmt.Errorf("as expects one item, there are %d", len(in))
		}
		from := len(e.arena)
		for _, v := range in {
			if spec.as(v) {
				e.arena = append(e.arena, v)
			}
		}
		return e.arena[from:len(e.arena):len(e.arena)], nil
	})
}

// typeArg reads the type in is(T), as(T) and ofType(T).
func (c *compiler) typeArg(n *ast) (typeSpec, error) {
	arg := n.args[0]
	switch {
	case arg.kind == astName:
		return c.typeSpec(n, arg.name)
	case arg.kind == astDot && arg.args[0].kind == astName && arg.args[1].kind == astName:
		return c.typeSpec(n, arg.args[0].name+"."+arg.args[1].name)
	}
	return typeSpec{}, c.fail(n, "%s expects the name of a type", n.name)
}

func typeInfo(v Value) Value {
	name := "System." + systemName(v.kind)
	if v.kind == kindElement {
		name = "FHIR." + v.TypeName()
	}
	return Value{kind: kindTypeInfo, text: name}
}
