package fhirpath

import (
	"errors"
	"fmt"
)

// fhirFunctions holds the additions of hl7.org/fhir/R4/fhirpath.html#functions.
func fhirFunctions(name string) (function, bool) {
	switch name {
	case "hasValue":
		return question(func(_ *Env, in []Value) (Truth, error) { return truthOf(len(in) == 1 && in[0].hasValue()), nil })
	case "getValue":
		return none(getValue)
	case "extension":
		return function{1, 1, func(args []code) code { return collected(extension(args[0])) }}, true
	case "hasExtension": // in one of R4's search parameters only
		return function{1, 1, func(args []code) code {
			has := extension(args[0])
			return logical(func(e *Env, in []Value) (Truth, error) {
				found, err := has(e, in)
				return truthOf(len(found) > 0), err
			})
		}}, true
	case "resolve":
		return none(resolve)
	case "htmlChecks":
		return question(htmlChecks)
	case "conformsTo":
		return function{1, 1, conformsTo}, true
	case "memberOf":
		return function{1, 1, memberOf}, true
	case "elementDefinition", "slice", "checkModifiers", "subsumes", "subsumedBy":
		return function{0, 9, func([]code) code {
			return collected(func(*Env, []Value) ([]Value, error) { return nil, fmt.Errorf("%s() is not supported", name) })
		}}, true
	}
	return function{}, false
}

func getValue(e *Env, in []Value) ([]Value, error) {
	if len(in) != 1 || !in[0].hasValue() {
		return nil, nil
	}
	v, ok := in[0].system()
	if !ok {
		return nil, nil
	}
	return e.one(v), nil
}

func extension(arg code) evalFn {
	step := child("extension")
	return func(e *Env, in []Value) ([]Value, error) {
		url, ok, err := textArg(e, arg, "extension")
		if err != nil || !ok {
			return nil, err
		}
		all, err := step.eval(e, in)
		if err != nil {
			return nil, err
		}
		from := len(e.arena)
		for _, v := range all {
			if v.node.Str("url") == url {
				e.arena = append(e.arena, v)
			}
		}
		return e.arena[from:len(e.arena):len(e.arena)], nil
	}
}

// resolve follows references, and texts that are references; what cannot be
// resolved is left out, as R4 says.
func resolve(e *Env, in []Value) ([]Value, error) {
	from := len(e.arena)
	for _, v := range in {
		reference := v.node.Str("reference")
		if s, ok := v.system(); ok && s.kind == kindString {
			reference = s.text
		}
		if reference == "" || e.Resolve == nil {
			continue
		}
		if target, ok := e.Resolve(reference); ok {
			e.arena = append(e.arena, target)
		}
	}
	return e.arena[from:len(e.arena):len(e.arena)], nil
}

func htmlChecks(e *Env, in []Value) (Truth, error) {
	if e.HTML == nil {
		return Unknown, errors.New("htmlChecks() is not known here")
	}
	for _, v := range in {
		if !v.hasValue() || !e.HTML(v.node.Text) {
			return False, nil
		}
	}
	return True, nil
}

func conformsTo(args []code) code {
	return logical(func(e *Env, in []Value) (Truth, error) {
		url, ok, err := textArg(e, args[0], "conformsTo")
		if err != nil || !ok {
			return Unknown, err
		}
		v, ok, err := single(in, "conformsTo")
		if err != nil || !ok {
			return Unknown, err
		}
		if e.Conforms == nil {
			return Unknown, errors.New("conformsTo() is not known here")
		}
		conforms, err := e.Conforms(v, url)
		return truthOf(conforms), err
	})
}

func memberOf(args []code) code {
	coding := child("coding")
	return logical(func(e *Env, in []Value) (Truth, error) {
		url, ok, err := textArg(e, args[0], "memberOf")
		if err != nil || !ok {
			return Unknown, err
		}
		v, ok, err := single(in, "memberOf")
		if err != nil || !ok {
			return Unknown, err
		}
		codings := []Value{v}
		if v.fhirType().Is("CodeableConcept") {
			if codings, err = coding.eval(e, in); err != nil {
				return Unknown, err
			}
		}
		out := False
		for _, c := range codings {
			system, code := c.node.Str("system"), c.node.Str("code")
			if c.isPrimitive() {
				code = c.String()
			}
			if e.Member == nil {
				return Unknown, errors.New("memberOf() is not known here")
			}
			is, known := e.Member(system, code, url)
			if !known {
				return Unknown, nil
			}
			if is {
				out = True
			}
		}
		return out, nil
	})
}
