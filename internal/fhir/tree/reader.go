package tree

import "fhirsvc/internal/fhir/outcome"

// keptNodes bounds the memory that a Reader keeps, in values of 64 bytes.
const keptNodes = 1 << 14

// Reader parses one text after another into the same memory. The zero Reader is ready;
// it must not be copied, nor used for two texts at a time.
type Reader struct {
	doc    Document
	parser parser
	slab   []Node
	texts  texts
}

// Read is ParseWithin, but the document and all its nodes are good only until Release
// or the next Read, and until then body must not change. Texts and issues stay.
func (r *Reader) Read(body []byte, limits Limits) (*Document, []outcome.Issue) {
	r.Release()
	limits = limits.withDefaults()
	if issues := limits.tooLong(body); issues != nil {
		return nil, issues
	}
	r.doc.body = body
	r.parser = parser{limits: limits, src: body, shared: &r.texts, chunk: r.slab[:0]}
	return r.parser.read(&r.doc)
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
	if r.texts.room.Cap() > mostRoom {
		r.texts.room.Reset()
	}
	r.doc, r.parser = Document{}, parser{}
}
