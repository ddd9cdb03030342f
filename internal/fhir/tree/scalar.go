package tree

import (
	"bytes"
	"encoding/binary"
	"math/bits"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"fhirsvc/internal/fhir/outcome"
)

// text reads a string, or a member's name, from its opening quote on and decodes it.
func (p *parser) text(name bool) (string, bool) {
	from := p.pos + 1
	end := from + plain(p.src[from:])
	if end == len(p.src) || p.src[end] != '"' {
		var escapes, ascii, ok bool
		if end, escapes, ascii, ok = p.closing(end); !ok {
			return "", false
		}
		if s := p.src[from:end]; !ascii && !utf8.Valid(s) {
			p.pos = from + firstInvalid(s)
			return "", p.fail(outcome.CodeInvalid, "the text is not valid UTF-8 here")
		}
		if escapes {
			return p.unescaped(from, end)
		}
	}
	p.pos = end + 1
	if name && p.shared != nil {
		return p.shared.name(p.src[from:end]), true
	}
	return p.part(from, end), true
}

// part gives a part of the source that has no escapes.
func (p *parser) part(from, to int) string {
	if p.shared == nil {
		return p.kept[from:to]
	}
	return p.shared.copy(p.src[from:to])
}

// closing finds the quote that ends the string in which from is.
func (p *parser) closing(from int) (end int, escapes, ascii, ok bool) {
	src := p.src
	ascii = true
	for i := from; i < len(src); i++ {
		i += plain(src[i:])
		if i == len(src) {
			break
		}
		switch c := src[i]; {
		case c == '"':
			return i, escapes, ascii, true
		case c == '\\':
			escapes = true
			i++
		case c < ' ':
			p.pos = i
			return 0, false, false, p.fail(outcome.CodeInvalid, "a control character (%#02x) must be written as an escape in a JSON string", c)
		default:
			ascii = false
		}
	}
	p.pos = len(src)
	return 0, false, false, p.fail(outcome.CodeInvalid, "the JSON text ends inside a string")
}

const (
	ones  = 0x0101010101010101 // a byte times ones is that byte eight times
	highs = 0x80 * ones
)

// plain counts the bytes before the first quote, backslash, control character or byte
// beyond ASCII, eight at a time: subtracting takes a borrow from the high bit of a byte
// that is less than what is taken from it. A borrow may mark the byte above as well,
// never one below, so that the lowest mark is right.
func plain(s []byte) int {
	i := 0
	for ; len(s)-i >= 8; i += 8 {
		x := binary.LittleEndian.Uint64(s[i:])
		quote, backslash := x^'"'*ones, x^'\\'*ones
		if marks := ((x - ' '*ones) | (quote - ones) | (backslash - ones) | x) & highs; marks != 0 {
			return i + bits.TrailingZeros64(marks)/8
		}
	}
	for ; i < len(s); i++ {
		if c := s[i]; c < ' ' || c == '"' || c == '\\' || c >= utf8.RuneSelf {
			break
		}
	}
	return i
}

func firstInvalid(s []byte) int {
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRune(s[i:])
		if r == utf8.RuneError && n <= 1 {
			return i
		}
		i += n
	}
	return len(s)
}

// unescaped decodes the string between from and its closing quote at end.
func (p *parser) unescaped(from, end int) (string, bool) {
	out := p.room(end - from)
	start := out.Len()
	p.pos = from
	for {
		i := bytes.IndexByte(p.src[p.pos:end], '\\')
		if i < 0 {
			out.Write(p.src[p.pos:end])
			p.pos = end + 1
			return out.String()[start:], true
		}
		out.Write(p.src[p.pos : p.pos+i])
		p.pos += i
		if !p.escape(out) {
			return "", false
		}
	}
}

// room gives where a decoded text of n bytes at most is written.
func (p *parser) room(n int) *strings.Builder {
	if p.shared != nil {
		return p.shared.grow(n)
	}
	out := &strings.Builder{}
	out.Grow(n)
	return out
}

// escape decodes the escape at pos; what follows the backslash is within the string.
func (p *parser) escape(out *strings.Builder) bool {
	c := p.src[p.pos+1]
	if c == 'u' {
		return p.unicode(out)
	}
	const codes, bytes = `"\/bfnrt`, "\"\\/\b\f\n\r\t"
	for i := range len(codes) {
		if codes[i] == c {
			out.WriteByte(bytes[i])
			p.pos += 2
			return true
		}
	}
	return p.fail(outcome.CodeInvalid, "this is not a JSON escape: write \\\\ for a backslash")
}

func (p *parser) unicode(out *strings.Builder) bool {
	r, ok := p.hex(p.pos)
	if !ok {
		return p.fail(outcome.CodeInvalid, "four hexadecimal digits are expected after \\u")
	}
	size := 6
	if utf16.IsSurrogate(r) {
		low, ok := p.hex(p.pos + size)
		r = utf16.DecodeRune(r, low)
		if !ok || r == utf8.RuneError {
			return p.fail(outcome.CodeInvalid, "this \\u escape is half of a surrogate pair")
		}
		size = 12
	}
	p.pos += size
	out.WriteRune(r)
	return true
}

// hex reads "\uXXXX" at i.
func (p *parser) hex(i int) (rune, bool) {
	if i+6 > len(p.src) || p.src[i] != '\\' || p.src[i+1] != 'u' {
		return 0, false
	}
	v, err := strconv.ParseUint(string(p.src[i+2:i+6]), 16, 16)
	return rune(v), err == nil
}

// number reads a number as RFC 8259 section 6 writes it and keeps its text.
func (p *parser) number(n *Node) bool {
	i := p.pos
	if p.src[i] == '-' {
		i++
	}
	digits := p.digits(i)
	ok := digits > 0 && (digits == 1 || p.src[i] != '0')
	i += digits
	if i < len(p.src) && p.src[i] == '.' {
		digits = p.digits(i + 1)
		ok = ok && digits > 0
		i += 1 + digits
	}
	if i < len(p.src) && (p.src[i] == 'e' || p.src[i] == 'E') {
		i++
		if i < len(p.src) && (p.src[i] == '+' || p.src[i] == '-') {
			i++
		}
		digits = p.digits(i)
		ok = ok && digits > 0
		i += digits
	}
	if !ok {
		return p.fail(outcome.CodeInvalid, "this is not a JSON number: no leading zeros, and digits on both sides of the point")
	}
	n.Kind, n.Text = Number, p.part(p.pos, i)
	p.pos = i
	return true
}

func (p *parser) digits(i int) int {
	from := i
	for i < len(p.src) && p.src[i] >= '0' && p.src[i] <= '9' {
		i++
	}
	return i - from
}
