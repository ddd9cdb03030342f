package fhirpath

// Program is a compiled expression, safe for concurrent use.
type Program struct {
	source string
	code   code
}

// Option changes how an expression is compiled.
type Option func(*compiler)

// AsFilters lets as() and "as" drop the items of other types where more than one
// comes in, as the expressions of R4's search parameters need; else that is an error.
func AsFilters() Option { return func(c *compiler) { c.asFilters = true } }

// Strict refuses a path that names an element which the type it starts from cannot
// have, and a place among items without order, in so far as types can be told from the
// expression alone. typeName is that of the focus.
func Strict(typeName string) Option { return func(c *compiler) { c.strict = typeName } }

// longest bounds the text of an expression in bytes.
const longest = 64 << 10

// Compile reads an expression. The error is a *SyntaxError, or names a function or
// type that is not known.
func Compile(expression string, options ...Option) (*Program, error) {
	if len(expression) > longest {
		return nil, &SyntaxError{Expression: expression[:80] + "…", Pos: longest, Message: "the expression is too long"}
	}
	tree, err := parse(expression)
	if err != nil {
		return nil, err
	}
	c := &compiler{source: expression}
	for _, o := range options {
		o(c)
	}
	if err := c.check(tree); err != nil {
		return nil, err
	}
	compiled, err := c.compile(tree, true)
	if err != nil {
		return nil, err
	}
	return &Program{source: expression, code: compiled}, nil
}

// String gives the expression's text.
func (p *Program) String() string { return p.source }

// Eval gives the collection that the expression makes of the focus, in order.
func (p *Program) Eval(e *Env, focus Value) ([]Value, error) {
	restore := p.enter(e, focus)
	defer restore()
	out, err := p.code.eval(e, e.this)
	if err != nil {
		return nil, &EvalError{Expression: p.source, Message: err.Error()}
	}
	return out, nil
}

// Test gives the logical value that the expression makes of the focus. Only True
// means that an invariant holds.
func (p *Program) Test(e *Env, focus Value) (Truth, error) {
	restore := p.enter(e, focus)
	defer restore()
	t, err := p.code.test(e, e.this)
	if err != nil {
		return Unknown, &EvalError{Expression: p.source, Message: err.Error()}
	}
	return t, nil
}

func (p *Program) enter(e *Env, focus Value) (restore func()) {
	this, context := e.this, e.Context
	if focus.kind == kindNone {
		e.this = nil
	} else {
		e.this = e.one(focus)
	}
	if e.Context.kind == kindNone {
		e.Context = focus
	}
	return func() { e.this, e.Context = this, context }
}
