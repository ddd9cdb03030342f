package fhirpath

import (
	"errors"
	"fmt"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// Truth is a three-valued logical result.
type Truth uint8

// The three values; the zero Truth is Unknown, an empty collection.
const (
	Unknown Truth = iota
	False
	True
)

func truthOf(b bool) Truth {
	if b {
		return True
	}
	return False
}

func (t Truth) not() Truth {
	switch t {
	case True:
		return False
	case False:
		return True
	case Unknown:
	}
	return Unknown
}

// Env is what an evaluation knows beside its focus. It may be used for one
// evaluation after another, not for two at a time. Results share its memory: they
// are good until Reset.
type Env struct {
	Set          *definitions.Set
	Resource     Value // %resource: the resource that holds the focus
	RootResource Value // %rootResource: the same, or the container of a contained one
	Context      Value // %context; the focus of Eval when nothing is given

	Resolve  func(reference string) (Value, bool)                 // nil: no reference resolves
	Conforms func(v Value, profile string) (ok bool, err error)   // conformsTo(); nil: it fails
	Member   func(system, code, valueSet string) (ok, known bool) // memberOf(); nil: it fails
	HTML     func(xhtml string) bool                              // htmlChecks(); nil: it fails
	Now      string                                               // now() and today(), with offset; "": they fail
	Trace    func(name string, values []Value)                    // trace(); nil: silent
	steps    int
	arena    []Value
	used     int // the most values that the arena held since Release
	this     []Value
	index    int64
	total    []Value
}

// NewEnv makes an Env for expressions about a resource.
func NewEnv(set *definitions.Set, resource *tree.Node) *Env {
	e := &Env{Set: set}
	e.SetResource(resource)
	return e
}

// SetResource makes the node both %resource and %rootResource.
func (e *Env) SetResource(resource *tree.Node) {
	e.Resource = e.RootOf(resource)
	e.RootResource = e.Resource
}

// RootOf makes a Value of a resource's JSON object, by its resourceType.
func (e *Env) RootOf(resource *tree.Node) Value {
	v := Value{kind: kindElement, node: resource}
	if t := e.Set.Type(resource.Str("resourceType")); t != nil {
		v.member = t.Self
	}
	return v
}

// Reset frees the memory of earlier results for use by later ones.
func (e *Env) Reset() {
	e.cut(0)
	e.steps = 0
}

// cut drops the results from mark on.
func (e *Env) cut(mark int) {
	e.used = max(e.used, len(e.arena))
	e.arena = e.arena[:mark]
}

// Release forgets the resource and every result, so that an Env can be kept.
func (e *Env) Release() {
	const keep = 4096 // values; a larger arena was for an unusual resource
	e.Reset()
	if cap(e.arena) > keep {
		e.arena, e.used = nil, 0
	}
	clear(e.arena[:e.used])
	e.used = 0
	e.Resource, e.RootResource, e.Context = Value{}, Value{}, Value{}
	e.this, e.total = nil, nil
}

// ErrTooCostly means that an evaluation took more steps than it may.
var ErrTooCostly = errors.New("the expression takes too many steps")

// defaultSteps is far beyond what a published invariant needs on a large resource.
const defaultSteps = 10_000_000

func (e *Env) step(n int) error {
	if e.steps += n + 1; e.steps > defaultSteps {
		return ErrTooCostly
	}
	return nil
}

// one puts a value into a collection of its own.
func (e *Env) one(v Value) []Value {
	e.arena = append(e.arena, v)
	n := len(e.arena)
	return e.arena[n-1 : n : n]
}

func (e *Env) boolean(t Truth) []Value {
	if t == Unknown {
		return nil
	}
	return e.one(Boolean(t == True))
}

// EvalError is why an expression has no result.
type EvalError struct {
	Expression string
	Message    string
}

func (e *EvalError) Error() string { return fmt.Sprintf("fhirpath %s: %s", e.Expression, e.Message) }

type evalFn func(e *Env, focus []Value) ([]Value, error)

type testFn func(e *Env, focus []Value) (Truth, error)

// code is a compiled expression. Either function does for the other; test avoids
// collections for logical results.
type code struct {
	eval     evalFn
	test     testFn
	constant bool // the same for every Env and focus
}

// logical makes code of a logical function.
func logical(test testFn) code {
	return code{
		test: test,
		eval: func(e *Env, focus []Value) ([]Value, error) {
			t, err := test(e, focus)
			if err != nil {
				return nil, err
			}
			return e.boolean(t), nil
		},
	}
}

// collected makes code of a function that gives a collection.
func collected(eval evalFn) code {
	return code{
		eval: eval,
		test: func(e *Env, focus []Value) (Truth, error) {
			mark := len(e.arena)
			out, err := eval(e, focus)
			e.cut(mark)
			if err != nil {
				return Unknown, err
			}
			return truth(out)
		},
	}
}

// truth reads a collection as a logical value: one boolean is itself, one item of
// another kind is true (hl7.org/fhirpath/N1 section 4.5), more are an error.
func truth(c []Value) (Truth, error) {
	switch len(c) {
	case 0:
		return Unknown, nil
	case 1:
		if v, ok := c[0].system(); ok && v.kind == kindBoolean {
			return truthOf(v.number == 1), nil
		}
		return True, nil
	}
	return Unknown, fmt.Errorf("%d items where one logical value is expected", len(c))
}

// single gives the only item; false when there is none.
func single(c []Value, what string) (Value, bool, error) {
	switch len(c) {
	case 0:
		return Value{}, false, nil
	case 1:
		return c[0], true, nil
	}
	return Value{}, false, fmt.Errorf("%s expects one item, there are %d", what, len(c))
}
