package fhirpath

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

type tokenKind uint8

const (
	tokEnd tokenKind = iota
	tokName
	tokQuoted // `name`
	tokString
	tokNumber
	tokMoment // @2015, @T14:30
	tokVariable
	tokDollar
	tokSymbol
)

type token struct {
	kind tokenKind
	text string
	pos  int
}

// SyntaxError is a fault in an expression's text.
type SyntaxError struct {
	Expression string
	Pos        int // byte offset
	Message    string
}

func (e *SyntaxError) Error() string {
	return fmt.Sprintf("fhirpath %q at %d: %s", e.Expression, e.Pos, e.Message)
}

type lexer struct {
	src string
	pos int
}

func (l *lexer) fail(pos int, format string, args ...any) error {
	return &SyntaxError{Expression: l.src, Pos: pos, Message: fmt.Sprintf(format, args...)}
}

func lex(src string) ([]token, error) {
	l := &lexer{src: src}
	var out []token
	for {
		if err := l.skip(); err != nil {
			return nil, err
		}
		t, err := l.next()
		if err != nil {
			return nil, err
		}
		out = append(out, t)
		if t.kind == tokEnd {
			return out, nil
		}
	}
}

// skip passes white space and comments.
func (l *lexer) skip() error {
	for l.pos < len(l.src) {
		rest := l.src[l.pos:]
		switch {
		case strings.HasPrefix(rest, "//"):
			end := strings.IndexAny(rest, "\r\n")
			if end < 0 {
				end = len(rest)
			}
			l.pos += end
		case strings.HasPrefix(rest, "/*"):
			end := strings.Index(rest[2:], "*/")
			if end < 0 {
				return l.fail(l.pos, "the comment does not end")
			}
			l.pos += end + 4
		case strings.IndexByte(" \t\r\n", rest[0]) >= 0:
			l.pos++
		default:
			return nil
		}
	}
	return nil
}

func (l *lexer) next() (token, error) {
	from := l.pos
	if from >= len(l.src) {
		return token{tokEnd, "", from}, nil
	}
	switch c := l.src[from]; {
	case isLetter(c):
		return token{tokName, l.run(isNameByte), from}, nil
	case isDigit(c):
		return token{tokNumber, l.number(), from}, nil
	case c == '\'':
		text, err := l.quoted('\'')
		return token{tokString, text, from}, err
	case c == '`' || c == '"':
		text, err := l.quoted(c)
		return token{tokQuoted, text, from}, err
	case c == '@':
		l.pos++
		return token{tokMoment, l.moment(), from}, nil
	case c == '%':
		return l.variable(from)
	case c == '$':
		l.pos++
		return token{tokDollar, l.run(isNameByte), from}, nil
	}
	return l.symbol(from)
}

func (l *lexer) symbol(from int) (token, error) {
	rest := l.src[from:]
	for _, s := range []string{"!=", "!~", "<=", ">="} {
		if strings.HasPrefix(rest, s) {
			l.pos += 2
			return token{tokSymbol, s, from}, nil
		}
	}
	if strings.IndexByte("()[]{}.,+-*/|&=~<>", rest[0]) >= 0 {
		l.pos++
		return token{tokSymbol, rest[:1], from}, nil
	}
	r, _ := utf8.DecodeRuneInString(rest)
	return token{}, l.fail(from, "unexpected %q", r)
}

func (l *lexer) variable(from int) (token, error) {
	l.pos++
	if l.pos < len(l.src) && (l.src[l.pos] == '`' || l.src[l.pos] == '\'' || l.src[l.pos] == '"') {
		text, err := l.quoted(l.src[l.pos])
		return token{tokVariable, text, from}, err
	}
	name := l.run(isNameByte)
	if name == "" {
		return token{}, l.fail(from, "a variable name is expected after %%")
	}
	return token{tokVariable, name, from}, nil
}

func (l *lexer) run(ok func(byte) bool) string {
	from := l.pos
	for l.pos < len(l.src) && ok(l.src[l.pos]) {
		l.pos++
	}
	return l.src[from:l.pos]
}

func (l *lexer) number() string {
	from := l.pos
	l.run(isDigit)
	if l.pos+1 < len(l.src) && l.src[l.pos] == '.' && isDigit(l.src[l.pos+1]) {
		l.pos++
		l.run(isDigit)
	}
	return l.src[from:l.pos]
}

// moment reads what follows "@": digits, "T", ":", "-" and a zone. A point belongs
// to it only before a digit, since "@2015.is(Date)" is a call.
func (l *lexer) moment() string {
	from := l.pos
	for l.pos < len(l.src) {
		c := l.src[l.pos]
		inTime := strings.IndexByte(l.src[from:l.pos], 'T') >= 0
		switch {
		case isDigit(c) || c == 'T' || c == '-' && (!inTime || l.zoneFollows()):
		case inTime && (c == ':' || c == 'Z' || c == '+' && l.zoneFollows()):
		case inTime && c == '.' && l.pos+1 < len(l.src) && isDigit(l.src[l.pos+1]):
		default:
			return l.src[from:l.pos]
		}
		l.pos++
	}
	return l.src[from:l.pos]
}

// zoneFollows reports whether a sign at pos starts an offset such as "+10:00".
func (l *lexer) zoneFollows() bool {
	r := l.src[l.pos:]
	return len(r) >= 6 && isDigit(r[1]) && isDigit(r[2]) && r[3] == ':' && isDigit(r[4]) && isDigit(r[5])
}

func (l *lexer) quoted(quote byte) (string, error) {
	from := l.pos
	var out []byte
	for l.pos++; l.pos < len(l.src); l.pos++ {
		c := l.src[l.pos]
		if c == quote {
			l.pos++
			return string(out), nil
		}
		if c != '\\' {
			out = append(out, c)
			continue
		}
		if l.pos++; l.pos >= len(l.src) {
			break
		}
		var err error
		if out, err = l.escape(out); err != nil {
			return "", err
		}
	}
	return "", l.fail(from, "the text in quotes does not end")
}

// escape decodes the escape whose letter is at pos.
func (l *lexer) escape(out []byte) ([]byte, error) {
	c := l.src[l.pos]
	const codes, bytes = "'\"`\\/fnrt", "'\"`\\/\f\n\r\t"
	if i := strings.IndexByte(codes, c); i >= 0 {
		return append(out, bytes[i]), nil
	}
	if c != 'u' {
		// R4 writes a few regular expressions with single backslashes.
		return append(out, '\\', c), nil
	}
	r, ok := l.hex(l.pos + 1)
	if !ok {
		return nil, l.fail(l.pos, "four hexadecimal digits are expected after \\u")
	}
	l.pos += 4
	if utf16.IsSurrogate(r) && strings.HasPrefix(l.src[l.pos+1:], `\u`) {
		if low, ok := l.hex(l.pos + 3); ok {
			r = utf16.DecodeRune(r, low)
			l.pos += 6
		}
	}
	return utf8.AppendRune(out, r), nil
}

func (l *lexer) hex(i int) (rune, bool) {
	if i+4 > len(l.src) {
		return 0, false
	}
	v, err := strconv.ParseUint(l.src[i:i+4], 16, 16)
	return rune(v), err == nil
}

func isDigit(c byte) bool    { return c >= '0' && c <= '9' }
func isLetter(c byte) bool   { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' }
func isNameByte(c byte) bool { return isLetter(c) || isDigit(c) }
