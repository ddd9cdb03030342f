package tree

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// Limits bound what a document may cost. A zero field means its default.
type Limits struct {
	Bytes  int // longest source; default 64 MiB
	Depth  int // deepest nesting of objects and arrays; default 96
	Nodes  int // most values; default 3,000,000
	Issues int // most issues collected, at which parsing stops; default 100
}

const (
	defaultBytes  = 64 << 20
	defaultDepth  = 96
	defaultNodes  = 3_000_000
	defaultIssues = 100
	maxBytes      = 1<<31 - 1 // positions are 32 bits wide
)

func (l Limits) withDefaults() Limits {
	l.Bytes = min(orDefault(l.Bytes, defaultBytes), maxBytes)
	l.Depth = orDefault(l.Depth, defaultDepth)
	l.Nodes = orDefault(l.Nodes, defaultNodes)
	l.Issues = orDefault(l.Issues, defaultIssues)
	return l
}

func (l Limits) tooLong(body []byte) []outcome.Issue {
	if len(body) <= l.Bytes {
		return nil
	}
	return []outcome.Issue{{
		Severity: outcome.SeverityFatal, Code: outcome.CodeTooLong,
		Details: fmt.Sprintf("the content has %d bytes, at most %d are read", len(body), l.Bytes),
	}}
}

func orDefault(v, otherwise int) int {
	if v <= 0 {
		return otherwise
	}
	return v
}

// Parse reads one JSON value with the default limits. The document is nil only
// when the text cannot be read as JSON at all or is beyond a limit; faults that
// leave it readable (a duplicate name, a null, an empty object) come with it, in
// source order. The input is copied.
func Parse(body []byte) (*Document, []outcome.Issue) {
	return ParseWithin(body, Limits{})
}

// ParseWithin is Parse with limits of the caller's own.
func ParseWithin(body []byte, limits Limits) (*Document, []outcome.Issue) {
	limits = limits.withDefaults()
	if issues := limits.tooLong(body); issues != nil {
		return nil, issues
	}
	kept := string(body)
	p := &parser{limits: limits, src: body, kept: kept}
	return p.read(&Document{src: kept})
}

// parser reads src from pos on. stop holds the fault that ends parsing.
type parser struct {
	src    []byte
	kept   string // src where the document keeps it; its texts are parts of it
	shared *texts // else where they are put
	pos    int
	depth  int
	nodes  int
	chunk  []Node
	limits Limits
	stop   *outcome.Issue
	faults []fault
}

// fault is an issue at a node; its place is worked out when the tree is whole.
type fault struct {
	node  *Node
	issue outcome.Issue
}

// read parses src into doc, which it gives back.
func (p *parser) read(doc *Document) (*Document, []outcome.Issue) {
	p.space()
	root := p.node()
	ok := p.value(root)
	if ok {
		p.space()
		if p.pos < len(p.src) {
			ok = p.fail(outcome.CodeInvalid, "there is more text after the end of the JSON value: send one resource only")
		}
	}
	if !ok {
		p.stop.Line, p.stop.Col = doc.position(min(p.pos, len(p.src)))
		return nil, []outcome.Issue{*p.stop}
	}
	doc.Root = root
	return doc, p.issues(doc)
}

func (p *parser) issues(doc *Document) []outcome.Issue {
	if len(p.faults) == 0 {
		return nil
	}
	var out []outcome.Issue
	locate := doc.Locator()
	for _, f := range p.faults {
		i := f.issue
		i.Line, i.Col = locate(f.node)
		i.Expression = doc.Expression(f.node)
		out = append(out, i)
	}
	return out
}

// fail records the fault that ends parsing, at the current position, and is false.
func (p *parser) fail(code outcome.Code, format string, args ...any) bool {
	if p.stop == nil {
		p.stop = &outcome.Issue{
			Severity: outcome.SeverityFatal, Code: code, Details: fmt.Sprintf(format, args...), Rule: "json",
		}
	}
	return false
}

// fault records an error that leaves the text readable; false when there are too many.
func (p *parser) fault(n *Node, code outcome.Code, format string, args ...any) bool {
	i := outcome.Errorf(code, "", format, args...)
	i.Rule = "json"
	p.faults = append(p.faults, fault{n, i})
	if len(p.faults) >= p.limits.Issues {
		return p.fail(outcome.CodeTooCostly, "there are %d faults before this place; the rest was not read", len(p.faults))
	}
	return true
}

// node gives a fresh node from the current chunk, nil beyond the limit.
func (p *parser) node() *Node {
	if p.nodes++; p.nodes > p.limits.Nodes {
		p.fail(outcome.CodeTooCostly, "the content has more than %d values", p.limits.Nodes)
		return nil
	}
	if len(p.chunk) == cap(p.chunk) {
		left := (len(p.src) - p.pos) / 24 // about one value in 24 bytes of indented R4
		p.chunk = make([]Node, 0, min(max(left, 16), 1024))
	}
	p.chunk = p.chunk[:len(p.chunk)+1]
	return &p.chunk[len(p.chunk)-1]
}

func (p *parser) space() {
	if p.pos < len(p.src) && p.src[p.pos] <= ' ' {
		p.spaces()
	}
}

// spaces passes over white space, of which indentation has many blanks in a row.
func (p *parser) spaces() {
	src, i := p.src, p.pos
	for i < len(src) {
		switch src[i] {
		case ' ':
			i += 1 + blanks(src[i+1:])
		case '\n', '\r', '\t':
			i++
		default:
			p.pos = i
			return
		}
	}
	p.pos = i
}

// blanks counts those at the start, or some of them near the end.
func blanks(s []byte) int {
	i := 0
	for ; len(s)-i >= 8; i += 8 {
		if x := binary.LittleEndian.Uint64(s[i:]) ^ ' '*ones; x != 0 {
			return i + bits.TrailingZeros64(x)/8
		}
	}
	return i
}

func (p *parser) value(n *Node) bool {
	if p.pos >= len(p.src) {
		return p.fail(outcome.CodeInvalid, "the JSON text ends too early: a value is missing")
	}
	n.start = int32(p.pos)
	ok := false
	switch c := p.src[p.pos]; {
	case c == '{':
		ok = p.object(n)
	case c == '[':
		ok = p.array(n)
	case c == '"':
		n.Kind = String
		n.Text, ok = p.text(false)
	case c == '-' || c >= '0' && c <= '9':
		ok = p.number(n)
	default:
		ok = p.word(n)
	}
	n.end = int32(p.pos)
	return ok
}

func (p *parser) word(n *Node) bool {
	switch rest := string(p.src[p.pos:min(p.pos+len("false"), len(p.src))]); {
	case strings.HasPrefix(rest, "true"):
		n.Kind, n.Text = Bool, "true"
	case strings.HasPrefix(rest, "false"):
		n.Kind, n.Text = Bool, "false"
	case strings.HasPrefix(rest, "null"):
		n.Kind = Null
		p.pos += len("null")
		return true
	default:
		return p.fail(outcome.CodeInvalid, "this is not JSON: a value starts with { [ \" a digit, true, false or null")
	}
	p.pos += len(n.Text)
	return true
}

func (p *parser) open(n *Node, kind Kind) bool {
	if p.depth++; p.depth > p.limits.Depth {
		return p.fail(outcome.CodeTooCostly, "the content is nested deeper than %d levels", p.limits.Depth)
	}
	n.Kind = kind
	p.pos++
	p.space()
	return true
}
