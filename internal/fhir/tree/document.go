package tree

import (
	"bytes"
	"strconv"
	"strings"
)

// Document is a parsed text.
type Document struct {
	Root *Node
	src  string
	body []byte // the source where src is not set
}

// Size is the length of the source in bytes.
func (d *Document) Size() int { return max(len(d.src), len(d.body)) }

// Raw gives the bytes of a node of this document as they were received, without
// the member name; "" for nil.
func (d *Document) Raw(n *Node) string {
	if n == nil {
		return ""
	}
	if d.body != nil {
		return string(d.body[n.start:n.end])
	}
	return d.src[n.start:n.end]
}

// Offset is the byte position of a node's value in the source, 0 for nil.
func (d *Document) Offset(n *Node) int {
	if n == nil {
		return 0
	}
	return int(n.start)
}

// Position gives the 1-based line and column (in bytes) of a node's value; zeros
// for nil. It counts on demand, in time proportional to the offset.
func (d *Document) Position(n *Node) (line, col int) {
	if n == nil {
		return 0, 0
	}
	return d.position(int(n.start))
}

// Locator gives a function like Position that is quick when it is asked for nodes in
// the order of the text: it goes on from the last place instead of from the start.
func (d *Document) Locator() func(*Node) (line, col int) {
	line, at := 1, 0 // the line in which byte at stands
	return func(n *Node) (int, int) {
		if n == nil {
			return 0, 0
		}
		offset := int(n.start)
		if offset < at {
			line, at = 1, 0
		}
		line += d.breaks(at, offset)
		at = offset
		return line, offset - d.lineBreak(offset)
	}
}

func (d *Document) position(offset int) (line, col int) {
	return 1 + d.breaks(0, offset), offset - d.lineBreak(offset)
}

// breaks counts the line breaks between two places.
func (d *Document) breaks(from, to int) int {
	if d.body != nil {
		return bytes.Count(d.body[from:to], []byte{'\n'})
	}
	return strings.Count(d.src[from:to], "\n")
}

// lineBreak gives the place of the last line break before another, -1 when there is none.
func (d *Document) lineBreak(before int) int {
	if d.body != nil {
		return bytes.LastIndexByte(d.body[:before], '\n')
	}
	return strings.LastIndexByte(d.src[:before], '\n')
}

// Expression gives the FHIRPath of a node as JSON names it, for instance
// "Patient.name[0].given[1]": the resource type, then member names, with an index
// for every array item. It is "" when the node is nil or of another document.
func (d *Document) Expression(n *Node) string {
	if n == nil {
		return ""
	}
	b := []byte(rootName(d.Root))
	at := d.Root
	for at != nil && at != n {
		at = childAround(at, n, &b)
	}
	if at == nil {
		return ""
	}
	return string(b)
}

func rootName(root *Node) string {
	if t := root.Str("resourceType"); t != "" {
		return t
	}
	return "Resource"
}

// childAround finds the child of at whose bytes enclose n and appends its step.
func childAround(at, n *Node, b *[]byte) *Node {
	i := 0
	for c := at.first; c != nil; c = c.next {
		if c.start <= n.start && n.end <= c.end {
			if at.Kind == Array {
				*b = append(*b, '[')
				*b = strconv.AppendInt(*b, int64(i), 10)
				*b = append(*b, ']')
			} else {
				*b = append(*b, '.')
				*b = append(*b, c.Name...)
			}
			return c
		}
		i++
	}
	return nil
}
