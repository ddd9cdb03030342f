package fhirpath

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

type compiler struct {
	source    string
	asFilters bool
	strict    string // type of the focus when types are checked, else ""
}

func (c *compiler) fail(n *ast, format string, args ...any) error {
	return &SyntaxError{Expression: c.source, Pos: n.pos, Message: fmt.Sprintf(format, args...)}
}

// compile makes code of a node. head is true where a name may be that of the
// focus's type, as in "Patient.name".
func (c *compiler) compile(n *ast, head bool) (code, error) {
	switch n.kind {
	case astLiteral:
		return c.literal(n)
	case astQuantity:
		return c.quantity(n)
	case astEmpty:
		return collected(func(*Env, []Value) ([]Value, error) { return nil, nil }), nil
	case astVariable:
		return c.variable(n)
	case astDollar:
		return dollar(n.name), nil
	case astName:
		if head {
			return rootOrChild(n.name), nil
		}
		return child(n.name), nil
	case astCall:
		return c.call(n)
	case astDot:
		return c.dot(n, head)
	case astIndex:
		return c.index(n, head)
	case astUnary:
		return c.unary(n)
	case astBinary:
		return c.binary(n)
	case astType:
		return c.typeOperator(n)
	}
	return code{}, c.fail(n, "unknown expression")
}

func constant(v Value) code {
	list := []Value{v}
	out := collected(func(*Env, []Value) ([]Value, error) { return list, nil })
	out.constant = true
	return out
}

func (c *compiler) literal(n *ast) (code, error) {
	switch n.tok {
	case tokString:
		return constant(Text(n.text)), nil
	case tokNumber:
		return c.number(n)
	case tokMoment:
		return c.moment(n)
	case tokEnd, tokName, tokQuoted, tokVariable, tokDollar, tokSymbol:
	}
	return constant(Boolean(n.text == "true")), nil
}

func (c *compiler) number(n *ast) (code, error) {
	if !strings.Contains(n.text, ".") {
		i, err := strconv.ParseInt(n.text, 10, 64)
		if err != nil {
			return code{}, c.fail(n, "the number is too large")
		}
		return constant(Integer(i)), nil
	}
	d, ok := parseDecimal(n.text)
	if !ok {
		return code{}, c.fail(n, "the number cannot be read")
	}
	return constant(Decimal(d)), nil
}

func (c *compiler) moment(n *ast) (code, error) {
	k := kindDate
	switch {
	case strings.HasPrefix(n.text, "T"):
		k = kindTime
	case strings.Contains(n.text, "T"):
		k = kindDateTime
	}
	if _, ok := parseMoment(k, n.text); !ok {
		return code{}, c.fail(n, "@%s is no date or time", n.text)
	}
	return constant(Value{kind: k, text: strings.TrimPrefix(n.text, "T")}), nil
}

func (c *compiler) quantity(n *ast) (code, error) {
	d, ok := parseDecimal(n.text)
	if !ok {
		return code{}, c.fail(n, "the number cannot be read")
	}
	v := Value{kind: kindQuantity, dec: d, text: n.name}
	if n.tok == tokName {
		v.number = 1
	}
	return constant(v), nil
}

func (c *compiler) variable(n *ast) (code, error) {
	switch n.name {
	case "resource":
		return collected(func(e *Env, _ []Value) ([]Value, error) { return given(e, e.Resource) }), nil
	case "rootResource":
		return collected(func(e *Env, _ []Value) ([]Value, error) { return given(e, e.RootResource) }), nil
	case "context":
		return collected(func(e *Env, _ []Value) ([]Value, error) { return given(e, e.Context) }), nil
	case "ucum":
		return constant(Text("http://unitsofmeasure.org")), nil
	case "sct":
		return constant(Text("http://snomed.info/sct")), nil
	case "loinc":
		return constant(Text("http://loinc.org")), nil
	}
	if name, ok := strings.CutPrefix(n.name, "vs-"); ok {
		return constant(Text("http://hl7.org/fhir/ValueSet/" + name)), nil
	}
	if name, ok := strings.CutPrefix(n.name, "ext-"); ok {
		return constant(Text("http://hl7.org/fhir/StructureDefinition/" + name)), nil
	}
	return code{}, c.fail(n, "the variable %%%s is not known", n.name)
}

func given(e *Env, v Value) ([]Value, error) {
	if v.kind == kindNone {
		return nil, nil
	}
	return e.one(v), nil
}

func dollar(name string) code {
	switch name {
	case "index":
		return collected(func(e *Env, _ []Value) ([]Value, error) { return e.one(Integer(e.index)), nil })
	case "total":
		return collected(func(e *Env, _ []Value) ([]Value, error) { return e.total, nil })
	default:
		return collected(func(e *Env, _ []Value) ([]Value, error) { return e.this, nil })
	}
}

func (c *compiler) dot(n *ast, head bool) (code, error) {
	left, err := c.compile(n.args[0], head)
	if err != nil {
		return code{}, err
	}
	right, err := c.compile(n.args[1], false)
	if err != nil {
		return code{}, err
	}
	if call := n.args[1]; call.kind == astCall && call.name == "not" {
		return logical(func(e *Env, focus []Value) (Truth, error) {
			t, err := left.test(e, focus)
			return t.not(), err
		}), nil
	}
	return code{
		eval: func(e *Env, focus []Value) ([]Value, error) {
			in, err := left.eval(e, focus)
			if err != nil {
				return nil, err
			}
			return right.eval(e, in)
		},
		test: func(e *Env, focus []Value) (Truth, error) {
			mark := len(e.arena)
			in, err := left.eval(e, focus)
			if err != nil {
				return Unknown, err
			}
			t, err := right.test(e, in)
			e.cut(mark)
			return t, err
		},
	}, nil
}

func (c *compiler) index(n *ast, head bool) (code, error) {
	list, err := c.compile(n.args[0], head)
	if err != nil {
		return code{}, err
	}
	at, err := c.compile(n.args[1], true)
	if err != nil {
		return code{}, err
	}
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		in, err := list.eval(e, focus)
		if err != nil {
			return nil, err
		}
		i, ok, err := integerArg(e, at, "the index")
		if err != nil || !ok || i < 0 || i >= int64(len(in)) {
			return nil, err
		}
		return in[i : i+1 : i+1], nil
	}), nil
}

// integerArg evaluates an argument, which sees $this, as one integer.
func integerArg(e *Env, arg code, what string) (int64, bool, error) {
	out, err := arg.eval(e, e.this)
	if err != nil {
		return 0, false, err
	}
	v, ok, err := single(out, what)
	if err != nil || !ok {
		return 0, false, err
	}
	s, ok := v.system()
	if !ok || s.kind != kindInteger {
		return 0, false, fmt.Errorf("%s must be an integer", what)
	}
	return s.number, true, nil
}

func (c *compiler) unary(n *ast) (code, error) {
	operand, err := c.compile(n.args[0], true)
	if err != nil {
		return code{}, err
	}
	minus := n.name == "-"
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		out, err := operand.eval(e, focus)
		if err != nil {
			return nil, err
		}
		v, ok, err := single(out, "a sign")
		if err != nil || !ok {
			return nil, err
		}
		s, ok := v.system()
		if !ok {
			return nil, fmt.Errorf("a sign stands before what is no number")
		}
		if !minus {
			return e.one(s), nil
		}
		return negate(e, s)
	}), nil
}

func negate(e *Env, s Value) ([]Value, error) {
	switch s.kind {
	case kindInteger:
		s.number = -s.number
	case kindDecimal, kindQuantity:
		s.dec = new(apd.Decimal).Neg(s.dec)
	case kindNone, kindElement, kindBoolean, kindString, kindDate, kindDateTime, kindTime, kindTypeInfo:
		return nil, fmt.Errorf("a sign stands before a %s", systemName(s.kind))
	}
	return e.one(s), nil
}
