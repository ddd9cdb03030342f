package tree

import "fhirsvc/internal/fhir/outcome"

func (p *parser) object(n *Node) bool {
	if !p.open(n, Object) {
		return false
	}
	if p.peek('}') {
		p.pos, p.depth = p.pos+1, p.depth-1
		return p.fault(n, outcome.CodeInvalid, "this object is empty: give it a member or leave it out")
	}
	var last *Node
	seen, suspects := uint64(0), uint32(0) // the suspects by their place, as far as there are bits
	for {
		c := p.node()
		if c == nil || !p.member(c) {
			return false
		}
		if !p.checkMember(c) {
			return false
		}
		mark := nameMark(c.Name)
		if seen&mark != 0 {
			suspects |= 1 << n.count
		}
		n.companions = n.companions || c.Name != "" && c.Name[0] == '_'
		seen |= mark
		link(n, last, c)
		last = c
		more, ok := p.more('}')
		if !ok {
			return false
		}
		if !more {
			p.depth--
			return p.duplicates(n, suspects)
		}
	}
}

// nameMark is one bit of 64, the same for the same name, so that names whose marks
// differ need no comparing.
func nameMark(name string) uint64 {
	n := len(name)
	if n == 0 {
		return 1
	}
	return 1 << ((uint(n) + 5*uint(name[0]) + 11*uint(name[n/2]) + 3*uint(name[n-1])) % 64)
}

func (p *parser) member(c *Node) bool {
	if !p.peek('"') {
		return p.fail(outcome.CodeInvalid, "a member name in double quotes is expected here")
	}
	name, ok := p.text(true)
	if !ok {
		return false
	}
	p.space()
	if !p.peek(':') {
		return p.fail(outcome.CodeInvalid, "a colon is expected after the member name")
	}
	p.pos++
	p.space()
	c.Name = name
	return p.value(c)
}

func (p *parser) checkMember(c *Node) bool {
	if c.Kind == Null {
		return p.fault(c, outcome.CodeInvalid, "null is not allowed here: leave the member out")
	}
	return c.Kind != Array || p.checkNulls(c)
}

// checkNulls refuses null items except where they pad the two arrays of a
// repeating primitive: among primitives, or in a "_name" array.
func (p *parser) checkNulls(arr *Node) bool {
	var null *Node
	objects := false
	for c := arr.first; c != nil; c = c.next {
		if c.Kind == Null && null == nil {
			null = c
		}
		objects = objects || c.Kind == Object
	}
	if null == nil || !objects || arr.Name[:min(1, len(arr.Name))] == "_" {
		return true
	}
	return p.fault(null, outcome.CodeInvalid, "null is not allowed among objects: leave the item out")
}

func (p *parser) array(n *Node) bool {
	if !p.open(n, Array) {
		return false
	}
	if p.peek(']') {
		p.pos, p.depth = p.pos+1, p.depth-1
		return p.fault(n, outcome.CodeInvalid, "this array is empty: give it an item or leave it out")
	}
	var last *Node
	for {
		c := p.node()
		if c == nil || !p.value(c) {
			return false
		}
		link(n, last, c)
		last = c
		more, ok := p.more(']')
		if !ok {
			return false
		}
		if !more {
			p.depth--
			return true
		}
	}
}

func link(parent, last, c *Node) {
	if last == nil {
		parent.first = c
	} else {
		last.next = c
	}
	parent.count++
}

// more reads what stands between items: a comma (another follows) or the end.
func (p *parser) more(end byte) (more, ok bool) {
	p.space()
	if p.peek(',') {
		p.pos++
		p.space()
		return true, true
	}
	if p.peek(end) {
		p.pos++
		return false, true
	}
	return false, p.fail(outcome.CodeInvalid, "a comma or %q is expected here", string(end))
}

func (p *parser) peek(c byte) bool { return p.pos < len(p.src) && p.src[p.pos] == c }

// manyMembers is where looking names up in a map gets cheaper than comparing pairs.
const manyMembers = 24

// duplicates compares the suspects among few members, and all of many.
func (p *parser) duplicates(n *Node, suspects uint32) bool {
	if n.count > manyMembers {
		return p.duplicatesOfMany(n)
	}
	for a := n.first; suspects != 0; a, suspects = a.next, suspects>>1 {
		for b := n.first; b != a && suspects&1 != 0; b = b.next {
			if a.Name == b.Name {
				if !p.duplicate(a) {
					return false
				}
				break
			}
		}
	}
	return true
}

func (p *parser) duplicatesOfMany(n *Node) bool {
	seen := make(map[string]struct{}, n.count)
	for c := n.first; c != nil; c = c.next {
		if _, twice := seen[c.Name]; twice && !p.duplicate(c) {
			return false
		}
		seen[c.Name] = struct{}{}
	}
	return true
}

func (p *parser) duplicate(c *Node) bool {
	return p.fault(c, outcome.CodeInvalid, "the member %q stands here twice: keep one", clip(c.Name))
}

// clip keeps a quoted name short in an issue.
func clip(s string) string {
	const longest = 64
	if len(s) <= longest {
		return s
	}
	return s[:longest] + "…"
}
