package fhirpath

import "slices"

type astKind uint8

const (
	astLiteral  astKind = iota // text, tok says of which kind
	astEmpty                   // {}
	astQuantity                // text the number, name the unit
	astVariable                // %name
	astDollar                  // $this, $index, $total
	astName                    // element or type name
	astCall                    // name(args...)
	astDot                     // args[0].args[1]
	astIndex                   // args[0][args[1]]
	astUnary                   // name is + or -
	astBinary                  // args[0] name args[1]
	astType                    // args[0] is|as text
)

// ast is a node of the parsed expression.
type ast struct {
	kind astKind
	tok  tokenKind
	name string
	text string
	args []*ast
	pos  int
}

type parser struct {
	lexer  lexer
	tokens []token
	at     int
	depth  int
}

// maxDepth bounds nesting, so that no expression can exhaust the stack.
const maxDepth = 200

func parse(src string) (*ast, error) {
	tokens, err := lex(src)
	if err != nil {
		return nil, err
	}
	p := &parser{lexer: lexer{src: src}, tokens: tokens}
	e, err := p.expression(0)
	if err != nil {
		return nil, err
	}
	if t := p.peek(); t.kind != tokEnd {
		return nil, p.fail("unexpected %q", t.text)
	}
	return e, nil
}

func (p *parser) fail(format string, args ...any) error {
	return p.lexer.fail(p.peek().pos, format, args...)
}

func (p *parser) peek() token { return p.tokens[p.at] }

func (p *parser) take() token {
	t := p.tokens[p.at]
	if t.kind != tokEnd {
		p.at++
	}
	return t
}

func (p *parser) isSymbol(s string) bool {
	t := p.peek()
	return t.kind == tokSymbol && t.text == s
}

func (p *parser) expect(s string) error {
	if !p.isSymbol(s) {
		return p.fail("%q is expected here", s)
	}
	p.take()
	return nil
}

// strength gives the binding strength of a binary operator, 0 for none; the order
// is that of hl7.org/fhirpath/N1 section 6.8.
func strength(t token) int {
	levels := [][]string{
		{"implies"},
		{"or", "xor"},
		{"and"},
		{"in", "contains"},
		{"=", "~", "!=", "!~"},
		{"<=", "<", ">", ">="},
		{"|"},
		{"is", "as"},
		{"+", "-", "&"},
		{"*", "/", "div", "mod"},
	}
	if t.kind != tokSymbol && t.kind != tokName {
		return 0
	}
	for i, ops := range levels {
		if slices.Contains(ops, t.text) {
			return i + 1
		}
	}
	return 0
}

const unaryStrength = 11

func (p *parser) expression(least int) (*ast, error) {
	if p.depth++; p.depth > maxDepth {
		return nil, p.fail("the expression is nested too deeply")
	}
	defer func() { p.depth-- }()
	left, err := p.unary()
	if err != nil {
		return nil, err
	}
	for {
		op := p.peek()
		s := strength(op)
		if s == 0 || s <= least {
			return left, nil
		}
		p.take()
		if op.text == "is" || op.text == "as" {
			name, err := p.typeName()
			if err != nil {
				return nil, err
			}
			left = &ast{kind: astType, name: op.text, text: name, args: []*ast{left}, pos: op.pos}
			continue
		}
		right, err := p.expression(s)
		if err != nil {
			return nil, err
		}
		left = &ast{kind: astBinary, name: op.text, args: []*ast{left, right}, pos: op.pos}
	}
}

func (p *parser) unary() (*ast, error) {
	if p.isSymbol("-") || p.isSymbol("+") {
		op := p.take()
		operand, err := p.expression(unaryStrength)
		if err != nil {
			return nil, err
		}
		return &ast{kind: astUnary, name: op.text, args: []*ast{operand}, pos: op.pos}, nil
	}
	return p.postfix()
}

func (p *parser) postfix() (*ast, error) {
	e, err := p.term()
	if err != nil {
		return nil, err
	}
	for {
		switch {
		case p.isSymbol("."):
			dot := p.take()
			step, err := p.invocation()
			if err != nil {
				return nil, err
			}
			e = &ast{kind: astDot, args: []*ast{e, step}, pos: dot.pos}
		case p.isSymbol("["):
			open := p.take()
			index, err := p.expression(0)
			if err != nil {
				return nil, err
			}
			if err := p.expect("]"); err != nil {
				return nil, err
			}
			e = &ast{kind: astIndex, args: []*ast{e, index}, pos: open.pos}
		default:
			return e, nil
		}
	}
}

func (p *parser) term() (*ast, error) {
	t := p.peek()
	switch {
	case t.kind == tokNumber:
		p.take()
		return p.number(t), nil
	case t.kind == tokString || t.kind == tokMoment:
		p.take()
		return &ast{kind: astLiteral, tok: t.kind, text: t.text, pos: t.pos}, nil
	case t.kind == tokVariable:
		p.take()
		return &ast{kind: astVariable, name: t.text, pos: t.pos}, nil
	case p.isSymbol("("):
		p.take()
		e, err := p.expression(0)
		if err != nil {
			return nil, err
		}
		return e, p.expect(")")
	case p.isSymbol("{"):
		p.take()
		return &ast{kind: astEmpty, pos: t.pos}, p.expect("}")
	case t.kind == tokName && (t.text == "true" || t.text == "false"):
		p.take()
		return &ast{kind: astLiteral, tok: tokName, text: t.text, pos: t.pos}, nil
	}
	return p.invocation()
}

// number reads a number and, when one follows, its unit.
func (p *parser) number(t token) *ast {
	unit := p.peek()
	if unit.kind == tokString {
		p.take()
		return &ast{kind: astQuantity, text: t.text, name: unit.text, tok: tokString, pos: t.pos}
	}
	if unit.kind == tokName && calendarUnit(unit.text) != "" {
		p.take()
		return &ast{kind: astQuantity, text: t.text, name: unit.text, tok: tokName, pos: t.pos}
	}
	return &ast{kind: astLiteral, tok: tokNumber, text: t.text, pos: t.pos}
}

// invocation reads a name, a call or a $variable.
func (p *parser) invocation() (*ast, error) {
	t := p.peek()
	switch t.kind {
	case tokDollar:
		p.take()
		if !slices.Contains([]string{"this", "index", "total"}, t.text) {
			return nil, p.lexer.fail(t.pos, "$%s is not known", t.text)
		}
		return &ast{kind: astDollar, name: t.text, pos: t.pos}, nil
	case tokName, tokQuoted:
		p.take()
		if p.isSymbol("(") && t.kind == tokName {
			return p.call(t)
		}
		return &ast{kind: astName, name: t.text, pos: t.pos}, nil
	case tokEnd:
		return nil, p.fail("the expression ends too early")
	case tokString, tokNumber, tokMoment, tokVariable, tokSymbol:
	}
	return nil, p.fail("unexpected %q", t.text)
}

func (p *parser) call(name token) (*ast, error) {
	p.take()
	c := &ast{kind: astCall, name: name.text, pos: name.pos}
	if p.isSymbol(")") {
		p.take()
		return c, nil
	}
	for {
		arg, err := p.argument(name.text)
		if err != nil {
			return nil, err
		}
		c.args = append(c.args, arg)
		if !p.isSymbol(",") {
			return c, p.expect(")")
		}
		p.take()
	}
}

// argument reads an argument; that of sort may end in "asc" or "desc".
func (p *parser) argument(function string) (*ast, error) {
	e, err := p.expression(0)
	if err != nil || function != "sort" {
		return e, err
	}
	if t := p.peek(); t.kind == tokName && (t.text == "asc" || t.text == "desc") {
		p.take()
		if t.text == "desc" {
			e = &ast{kind: astUnary, name: "-", args: []*ast{e}, pos: t.pos}
		}
	}
	return e, nil
}

// typeName reads a type specifier such as Quantity or FHIR.Quantity.
func (p *parser) typeName() (string, error) {
	t := p.take()
	if t.kind != tokName && t.kind != tokQuoted {
		p.at = max(p.at-1, 0)
		return "", p.fail("a type name is expected here")
	}
	name := t.text
	if p.isSymbol(".") && p.tokens[p.at+1].kind != tokEnd && (name == "FHIR" || name == "System") {
		p.take()
		name += "." + p.take().text
	}
	return name, nil
}
