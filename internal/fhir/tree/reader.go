package tree

import "fhirsvc/internal/fhir/outcome"

// keptNodes bounds the memory that a Reader keeps, in values of 64 bytes.
const keptNodes = 1 << 14

// Reader parses one text after another into the same memory. The zero Reader is ready;
// it must not be used for two texts at a time.
type Reader struct {
	doc    Document
	parser parser
	slab   []Node
}

// Read is ParseWithin, but the document and all its nodes are good only until Release
// or the next Read. Their texts and the issues stay.
func (r *Reader) Read(body []byte, limits Limits) (*Document, []outcome.Issue) {
	r.Release()
	r.parser = parser{limits: limits.withDefaults(), chunk: r.slab[:0]}
	return r.parser.read(body, &r.doc)
}

// Release forgets the document, so that a Reader can be kept. It makes room for as
// many values as the document had.
func (r *Reader) Release() {
	n := r.parser.nodes
	if n > len(r.slab) && len(r.slab) < keptNodes {
		r.slab = make([]Node, min(max(n, 2*len(r.slab)), keptNodes))
	} else {
		clear(r.slab[:min(n, len(r.slab))])
	}
	r.doc, r.parser = Document{}, parser{}
}
