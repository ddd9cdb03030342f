package fhirpath

import (
	"errors"
	"fmt"
)

func (c *compiler) binary(n *ast) (code, error) {
	left, err := c.compile(n.args[0], true)
	if err != nil {
		return code{}, err
	}
	right, err := c.compile(n.args[1], true)
	if err != nil {
		return code{}, err
	}
	switch n.name {
	case "and", "or", "xor", "implies":
		return connective(n.name, left, right), nil
	case "=", "!=", "~", "!~":
		return equality(n.name, left, right), nil
	case "<", "<=", ">", ">=":
		return inequality(n.name, left, right), nil
	case "in":
		return membership(left, right), nil
	case "contains":
		return membership(right, left), nil
	case "|":
		return union(left, right), nil
	case "&":
		return concatenation(left, right), nil
	}
	return arithmetic(n.name, left, right), nil
}

// connective is a logical operator; the right side is not evaluated where the left
// one decides, so that a guard protects what it guards.
func connective(op string, left, right code) code {
	return logical(func(e *Env, focus []Value) (Truth, error) {
		l, err := left.test(e, focus)
		if err != nil {
			return Unknown, err
		}
		if decided, t := short(op, l); decided {
			return t, nil
		}
		r, err := right.test(e, focus)
		if err != nil {
			return Unknown, err
		}
		return combine(op, l, r), nil
	})
}

func short(op string, l Truth) (bool, Truth) {
	switch {
	case op == "and" && l == False:
		return true, False
	case op == "or" && l == True:
		return true, True
	case op == "implies" && l == False:
		return true, True
	}
	return false, Unknown
}

// combine is the truth table of hl7.org/fhirpath/N1 section 6.5.
func combine(op string, l, r Truth) Truth {
	switch op {
	case "and":
		if l == False || r == False {
			return False
		}
		if l == True && r == True {
			return True
		}
	case "or":
		if l == True || r == True {
			return True
		}
		if l == False && r == False {
			return False
		}
	case "xor":
		if l != Unknown && r != Unknown {
			return truthOf(l != r)
		}
	case "implies":
		if l == False || r == True {
			return True
		}
		if l == True {
			return r
		}
	}
	return Unknown
}

// both evaluates the two sides of an operator.
func both(e *Env, focus []Value, left, right code) (l, r []Value, err error) {
	if l, err = left.eval(e, focus); err != nil {
		return nil, nil, err
	}
	r, err = right.eval(e, focus)
	return l, r, err
}

func equality(op string, left, right code) code {
	return logical(func(e *Env, focus []Value) (Truth, error) {
		mark := len(e.arena)
		l, r, err := both(e, focus, left, right)
		if err != nil {
			return Unknown, err
		}
		var t Truth
		switch op {
		case "=":
			t = equalCollections(e, l, r)
		case "!=":
			t = equalCollections(e, l, r).not()
		case "~":
			t = truthOf(equivalentCollections(e, l, r))
		default:
			t = truthOf(!equivalentCollections(e, l, r))
		}
		e.cut(mark)
		return t, nil
	})
}

func inequality(op string, left, right code) code {
	return logical(func(e *Env, focus []Value) (Truth, error) {
		mark := len(e.arena)
		l, r, err := both(e, focus, left, right)
		if err != nil {
			return Unknown, err
		}
		e.cut(mark)
		a, okA, err := single(l, op)
		if err != nil || !okA {
			return Unknown, err
		}
		b, okB, err := single(r, op)
		if err != nil || !okB {
			return Unknown, err
		}
		order, known, err := compare(a, b)
		if err != nil || !known {
			return Unknown, err
		}
		switch op {
		case "<":
			return truthOf(order < 0), nil
		case "<=":
			return truthOf(order <= 0), nil
		case ">":
			return truthOf(order > 0), nil
		}
		return truthOf(order >= 0), nil
	})
}

func membership(item, list code) code {
	return logical(func(e *Env, focus []Value) (Truth, error) {
		mark := len(e.arena)
		i, l, err := both(e, focus, item, list)
		if err != nil {
			return Unknown, err
		}
		e.cut(mark)
		v, ok, err := single(i, "in")
		if err != nil || !ok {
			return Unknown, err
		}
		if err := e.step(len(l)); err != nil {
			return Unknown, err
		}
		return truthOf(contains(e, l, v)), nil
	})
}

func contains(e *Env, list []Value, v Value) bool {
	for _, x := range list {
		if equalValues(e, x, v) == True {
			return true
		}
	}
	return false
}

func union(left, right code) code {
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		l, r, err := both(e, focus, left, right)
		if err != nil {
			return nil, err
		}
		return distinct(e, l, r)
	})
}

// distinct gives the items of the lists, each once, in the order first met.
func distinct(e *Env, lists ...[]Value) ([]Value, error) {
	from := len(e.arena)
	for _, list := range lists {
		for _, v := range list {
			if err := e.step(len(e.arena) - from); err != nil {
				return nil, err
			}
			if !contains(e, e.arena[from:], v) {
				e.arena = append(e.arena, v)
			}
		}
	}
	return e.arena[from:len(e.arena):len(e.arena)], nil
}

// concatenation is "&": an empty side counts as empty text.
func concatenation(left, right code) code {
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		l, r, err := both(e, focus, left, right)
		if err != nil {
			return nil, err
		}
		a, err := textOrEmpty(l)
		if err != nil {
			return nil, err
		}
		b, err := textOrEmpty(r)
		if err != nil {
			return nil, err
		}
		return e.one(Text(a + b)), nil
	})
}

var errNotText = errors.New("& joins text only")

func textOrEmpty(c []Value) (string, error) {
	v, ok, err := single(c, "&")
	if err != nil || !ok {
		return "", err
	}
	s, ok := toText(v)
	if !ok {
		return "", fmt.Errorf("%w, not a %s", errNotText, v.TypeName())
	}
	return s, nil
}
