package fhirpath

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// existence holds the functions of hl7.org/fhirpath/N1 section 5.1.
func existence(name string) (function, bool) {
	switch name {
	case "empty":
		return question(func(_ *Env, in []Value) (Truth, error) { return truthOf(len(in) == 0), nil })
	case "not":
		return question(func(_ *Env, in []Value) (Truth, error) {
			t, err := truth(in)
			return t.not(), err
		})
	case "exists":
		return function{0, 1, exists}, true
	case "all":
		return function{1, 1, all}, true
	case "allTrue", "anyTrue", "allFalse", "anyFalse":
		return question(booleans(name))
	case "count":
		return none(func(e *Env, in []Value) ([]Value, error) { return e.one(Integer(int64(len(in)))), nil })
	case "distinct":
		return none(func(e *Env, in []Value) ([]Value, error) { return distinct(e, in) })
	case "isDistinct":
		return question(isDistinct)
	case "subsetOf", "supersetOf":
		return function{1, 1, func(args []code) code { return subset(args[0], name == "subsetOf") }}, true
	}
	return function{}, false
}

func exists(args []code) code {
	if len(args) == 0 {
		return logical(func(_ *Env, in []Value) (Truth, error) { return truthOf(len(in) > 0), nil })
	}
	return logical(func(e *Env, in []Value) (Truth, error) {
		found := False
		err := forEach(e, in, func(_ int, item []Value) (bool, error) {
			t, err := args[0].test(e, item)
			if t == True {
				found = True
			}
			return found == False, err
		})
		return found, err
	})
}

func all(args []code) code {
	return logical(func(e *Env, in []Value) (Truth, error) {
		out := True
		err := forEach(e, in, func(_ int, item []Value) (bool, error) {
			t, err := args[0].test(e, item)
			if t != True {
				out = False
			}
			return out == True, err
		})
		return out, err
	})
}

func booleans(name string) testFn {
	want := int64(1)
	if strings.HasSuffix(name, "False") {
		want = 0
	}
	every := strings.HasPrefix(name, "all")
	return func(_ *Env, in []Value) (Truth, error) {
		out := every
		for _, v := range in {
			s, ok := v.system()
			if !ok || s.kind != kindBoolean {
				return Unknown, fmt.Errorf("%s expects logical values", name)
			}
			if (s.number == want) != every {
				out = !every
			}
		}
		return truthOf(out), nil
	}
}

func isDistinct(e *Env, in []Value) (Truth, error) {
	if allTexts(in) {
		return distinctTexts(in), nil
	}
	for i := range in {
		if err := e.step(i); err != nil {
			return Unknown, err
		}
		if contains(e, in[:i], in[i]) {
			return False, nil
		}
	}
	return True, nil
}

func allTexts(in []Value) bool {
	return !slices.ContainsFunc(in, func(v Value) bool {
		s, ok := v.system()
		return !ok || s.kind != kindString
	})
}

// distinctTexts is isDistinct for texts, in time proportional to their number.
func distinctTexts(in []Value) Truth {
	const few = 8
	if len(in) <= few {
		for i := range in {
			for j := range i {
				if in[i].String() == in[j].String() {
					return False
				}
			}
		}
		return True
	}
	seen := make(map[string]struct{}, len(in))
	for _, v := range in {
		seen[v.String()] = struct{}{}
	}
	return truthOf(len(seen) == len(in))
}

func subset(arg code, inputIsSmall bool) code {
	return logical(func(e *Env, in []Value) (Truth, error) {
		other, err := arg.eval(e, e.this)
		if err != nil {
			return Unknown, err
		}
		small, large := in, other
		if !inputIsSmall {
			small, large = other, in
		}
		for _, v := range small {
			if err := e.step(len(large)); err != nil {
				return Unknown, err
			}
			if !contains(e, large, v) {
				return False, nil
			}
		}
		return True, nil
	})
}

// filtering holds sections 5.2 and 5.4, aggregate, and iif.
func filtering(name string) (function, bool) {
	switch name {
	case "where":
		return function{1, 1, func(args []code) code { return collected(where(args[0])) }}, true
	case "select":
		return function{1, 1, func(args []code) code { return collected(project(args[0])) }}, true
	case "repeat":
		return function{1, 1, func(args []code) code { return collected(repeat(args[0])) }}, true
	case "aggregate":
		return function{1, 2, func(args []code) code { return collected(aggregate(args)) }}, true
	case "iif":
		return function{2, 3, func(args []code) code { return collected(iif(args)) }}, true
	case "union", "combine":
		return function{1, 1, func(args []code) code { return collected(merge(args[0], name == "union")) }}, true
	}
	return function{}, false
}

func where(criterion code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		from := len(e.arena)
		err := forEach(e, in, func(_ int, item []Value) (bool, error) {
			mark := len(e.arena)
			t, err := criterion.test(e, item)
			e.cut(mark)
			if t == True {
				e.arena = append(e.arena, item[0])
			}
			return true, err
		})
		return e.arena[from:len(e.arena):len(e.arena)], err
	}
}

func project(projection code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		from := len(e.arena)
		err := forEach(e, in, func(_ int, item []Value) (bool, error) {
			mark := len(e.arena)
			out, err := projection.eval(e, item)
			e.cut(mark)
			e.arena = append(e.arena, out...)
			return true, err
		})
		return e.arena[from:len(e.arena):len(e.arena)], err
	}
}

// repeat projects until nothing new comes, each item once.
func repeat(projection code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		var out []Value
		queue := append([]Value(nil), in...)
		for len(queue) > 0 {
			var next []Value
			err := forEach(e, queue, func(_ int, item []Value) (bool, error) {
				mark := len(e.arena)
				found, err := projection.eval(e, item)
				for _, v := range found {
					if err := e.step(len(out)); err != nil {
						return false, err
					}
					if !contains(e, out, v) {
						out, next = append(out, v), append(next, v)
					}
				}
				e.cut(mark)
				return true, err
			})
			if err != nil {
				return nil, err
			}
			queue = next
		}
		return out, nil
	}
}

func aggregate(args []code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		before := e.total
		defer func() { e.total = before }()
		e.total = nil
		if len(args) == 2 {
			start, err := args[1].eval(e, e.this)
			if err != nil {
				return nil, err
			}
			e.total = start
		}
		err := forEach(e, in, func(_ int, item []Value) (bool, error) {
			out, err := args[0].eval(e, item)
			e.total = append([]Value(nil), out...)
			return true, err
		})
		return e.total, err
	}
}

func iif(args []code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		if len(in) > 1 {
			return nil, fmt.Errorf("iif expects one item, there are %d", len(in))
		}
		this := e.this
		defer func() { e.this = this }()
		if len(in) == 1 {
			e.this = in
		}
		condition, err := args[0].eval(e, in)
		if err != nil {
			return nil, err
		}
		v, ok, err := single(condition, "the condition of iif")
		if err != nil {
			return nil, err
		}
		s, isSystem := v.system()
		if ok && (!isSystem || s.kind != kindBoolean) {
			return nil, errors.New("the condition of iif must be logical")
		}
		switch {
		case ok && s.number == 1:
			return args[1].eval(e, in)
		case len(args) == 3:
			return args[2].eval(e, in)
		}
		return nil, nil
	}
}

func merge(arg code, once bool) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		other, err := arg.eval(e, e.this)
		if err != nil {
			return nil, err
		}
		if once {
			return distinct(e, in, other)
		}
		from := len(e.arena)
		e.arena = append(append(e.arena, in...), other...)
		return e.arena[from:len(e.arena):len(e.arena)], nil
	}
}
