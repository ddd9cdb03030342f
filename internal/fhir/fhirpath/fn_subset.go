package fhirpath

import (
	"fmt"
	"strings"
)

// subsetting holds section 5.3, tree navigation (5.8) and utilities (5.9).
func subsetting(name string) (function, bool) {
	switch name {
	case "first":
		return none(func(_ *Env, in []Value) ([]Value, error) { return in[:min(1, len(in))], nil })
	case "last":
		return none(func(_ *Env, in []Value) ([]Value, error) { return in[max(0, len(in)-1):], nil })
	case "tail":
		return none(func(_ *Env, in []Value) ([]Value, error) { return in[min(1, len(in)):], nil })
	case "single":
		return none(func(_ *Env, in []Value) ([]Value, error) {
			_, _, err := single(in, "single")
			return in, err
		})
	case "skip", "take":
		return function{1, 1, func(args []code) code { return collected(cut(args[0], name == "skip")) }}, true
	case "intersect":
		return function{1, 1, func(args []code) code { return collected(intersect(args[0])) }}, true
	case "exclude":
		return function{1, 1, func(args []code) code { return collected(exclude(args[0])) }}, true
	case "children":
		return none(children)
	case "descendants":
		return none(descendants)
	case "trace":
		return function{1, 2, func(args []code) code { return collected(trace(args)) }}, true
	case "now", "today", "timeOfDay":
		return none(clock(name))
	case "type":
		return none(func(e *Env, in []Value) ([]Value, error) {
			from := len(e.arena)
			for _, v := range in {
				e.arena = append(e.arena, typeInfo(v))
			}
			return e.arena[from:len(e.arena):len(e.arena)], nil
		})
	}
	return function{}, false
}

func cut(arg code, skip bool) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		n, ok, err := integerArg(e, arg, "the number of items")
		if err != nil || !ok {
			return nil, err
		}
		at := int(min(max(n, 0), int64(len(in))))
		if skip {
			return in[at:], nil
		}
		return in[:at:at], nil
	}
}

func intersect(arg code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		other, err := arg.eval(e, e.this)
		if err != nil {
			return nil, err
		}
		from := len(e.arena)
		for _, v := range in {
			if err := e.step(len(other) + len(e.arena) - from); err != nil {
				return nil, err
			}
			if contains(e, other, v) && !contains(e, e.arena[from:], v) {
				e.arena = append(e.arena, v)
			}
		}
		return e.arena[from:len(e.arena):len(e.arena)], nil
	}
}

func exclude(arg code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		other, err := arg.eval(e, e.this)
		if err != nil {
			return nil, err
		}
		from := len(e.arena)
		for _, v := range in {
			if err := e.step(len(other)); err != nil {
				return nil, err
			}
			if !contains(e, other, v) {
				e.arena = append(e.arena, v)
			}
		}
		return e.arena[from:len(e.arena):len(e.arena)], nil
	}
}

func children(e *Env, in []Value) ([]Value, error) {
	from := len(e.arena)
	for _, v := range in {
		e.arena = appendAllChildren(e.Set, e.arena, v)
	}
	return e.arena[from:len(e.arena):len(e.arena)], e.step(len(e.arena) - from)
}

func descendants(e *Env, in []Value) ([]Value, error) {
	from := len(e.arena)
	for _, v := range in {
		if err := appendDescendants(e, v); err != nil {
			return nil, err
		}
	}
	return e.arena[from:len(e.arena):len(e.arena)], nil
}

func trace(args []code) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		if e.Trace == nil {
			return in, nil
		}
		name, _, err := textArg(e, args[0], "trace")
		if err != nil {
			return nil, err
		}
		shown := in
		if len(args) == 2 {
			if shown, err = project(args[1])(e, in); err != nil {
				return nil, err
			}
		}
		e.Trace(name, shown)
		return in, nil
	}
}

// clock gives now(), today() and timeOfDay() from what the caller says the time is.
func clock(name string) evalFn {
	return func(e *Env, _ []Value) ([]Value, error) {
		m, ok := parseMoment(kindDateTime, e.Now)
		if !ok || m.precision < toSecond {
			return nil, fmt.Errorf("%s() is not known here", name)
		}
		date, rest, _ := strings.Cut(e.Now, "T")
		switch name {
		case "today":
			return e.one(Value{kind: kindDate, text: date}), nil
		case "timeOfDay":
			m.zoned = false
			return e.one(Value{kind: kindTime, text: m.text(kindTime)}), nil
		}
		return e.one(Value{kind: kindDateTime, text: date + "T" + rest}), nil
	}
}
