package fhirpath

import "fmt"

// function is how a call is compiled: how many arguments it takes, and the code
// made of them. The code's focus is the input collection.
type function struct {
	least, most int
	build       func(args []code) code
}

// call compiles a function call. Arguments see the items of the input as $this in
// where, select and their like; in all others they see what surrounds the call.
func (c *compiler) call(n *ast) (code, error) {
	switch n.name {
	case "is", "as", "ofType":
		if len(n.args) != 1 {
			return code{}, c.fail(n, "%s expects one type", n.name)
		}
		spec, err := c.typeArg(n)
		if err != nil {
			return code{}, err
		}
		return c.typeFunction(n.name, spec), nil
	}
	if n.name == "sort" {
		return c.sort(n)
	}
	f, ok := lookup(n.name)
	if !ok {
		return code{}, c.fail(n, "the function %s is not known", n.name)
	}
	if len(n.args) < f.least || len(n.args) > f.most {
		return code{}, c.fail(n, "%s takes %d to %d arguments, not %d", n.name, f.least, f.most, len(n.args))
	}
	args := make([]code, len(n.args))
	for i, a := range n.args {
		var err error
		if args[i], err = c.compile(a, true); err != nil {
			return code{}, err
		}
	}
	return f.build(args), nil
}

func lookup(name string) (function, bool) {
	for _, find := range []func(string) (function, bool){
		existence, filtering, subsetting, stringFunctions, conversions, mathFunctions, fhirFunctions, boundaryFunctions,
	} {
		if f, ok := find(name); ok {
			return f, true
		}
	}
	return function{}, false
}

// none is a function without arguments that gives a collection.
func none(eval evalFn) (function, bool) {
	return function{0, 0, func([]code) code { return collected(eval) }}, true
}

// question is a function without arguments that gives a logical value.
func question(test testFn) (function, bool) {
	return function{0, 0, func([]code) code { return logical(test) }}, true
}

// forEach runs a lambda for every item with $this and $index set; it stops at an
// error or when do returns false.
func forEach(e *Env, in []Value, do func(i int, item []Value) (bool, error)) error {
	this, index := e.this, e.index
	defer func() { e.this, e.index = this, index }()
	if err := e.step(len(in)); err != nil {
		return err
	}
	for i := range in {
		item := in[i : i+1 : i+1]
		e.this, e.index = item, int64(i)
		more, err := do(i, item)
		if err != nil || !more {
			return err
		}
	}
	return nil
}

// textArg evaluates an argument as one text; false when it is empty.
func textArg(e *Env, arg code, what string) (string, bool, error) {
	out, err := arg.eval(e, e.this)
	if err != nil {
		return "", false, err
	}
	return oneText(out, what)
}

func oneText(c []Value, what string) (string, bool, error) {
	v, ok, err := single(c, what)
	if err != nil || !ok {
		return "", false, err
	}
	s, ok := v.system()
	if !ok {
		if missing(v, ok) {
			return "", false, nil
		}
		return "", false, fmt.Errorf("%s expects text, not a %s", what, v.TypeName())
	}
	if s.kind != kindString {
		if isMoment(s) && v.kind == kindElement {
			return s.text, true, nil
		}
		return "", false, fmt.Errorf("%s expects text, not a %s", what, v.TypeName())
	}
	return s.text, true, nil
}
