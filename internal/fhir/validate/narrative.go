package validate

import (
	"html"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// narrative is txt-1 and txt-2.
func (w *walker) narrative(value *tree.Node) {
	if value.Kind != tree.String {
		w.errorf(value, "", outcome.CodeStructure, "type", "div must be a string of XHTML, it is a %s", value.Kind)
		return
	}
	if fault := w.html.fault(value.Text); fault != "" {
		w.errorf(value, "", outcome.CodeInvariant, "txt-1", "the narrative is not allowed: %s", fault)
		return
	}
	if !narrativeHasContent(value.Text) {
		w.errorf(value, "", outcome.CodeInvariant, "txt-2", "the narrative SHALL have some non-whitespace content")
	}
}

const xhtmlNamespace = "http://www.w3.org/1999/xhtml"

// xhtmlReader reads one narrative after another.
type xhtmlReader struct {
	src        string
	pos        int
	open       []string // elements around pos
	attributes []string // names of those of the current tag
}

// fault reads a narrative's XHTML and gives its first fault, "" when there
// is none: one div, well formed, only the elements and attributes of HTML 4.0
// chapters 7 to 11 (without 9.4) and 15, links, images and styles, no entities but
// XML's own (hl7.org/fhir/R4/narrative.html).
func (r *xhtmlReader) fault(s string) string {
	r.src, r.pos, r.open = s, 0, r.open[:0]
	return r.read()
}

// release forgets what was read, so that a reader can be kept.
func (r *xhtmlReader) release() {
	r.src = ""
	clear(r.open[:cap(r.open)])
	clear(r.attributes[:cap(r.attributes)])
}

const (
	deepest        = 256 // elements within one another
	mostAttributes = 64  // attributes of one tag
)

func (r *xhtmlReader) read() string {
	r.space()
	if !strings.HasPrefix(r.src[r.pos:], "<div") {
		return "it must start with <div"
	}
	if hasControl(r.src) {
		return "a control character is not allowed"
	}
	for {
		from := r.pos
		for r.pos < len(r.src) && r.src[r.pos] != '<' && r.src[r.pos] != '&' {
			if r.src[r.pos] == '>' && strings.HasSuffix(r.src[from:r.pos], "]]") {
				return "]]> must be written as ]]&gt;"
			}
			r.pos++
		}
		if r.pos == len(r.src) {
			break
		}
		fault := ""
		if r.src[r.pos] == '&' {
			fault = r.entity()
		} else {
			fault = r.markup()
		}
		if fault != "" {
			return fault
		}
		if len(r.open) == 0 {
			break
		}
	}
	if len(r.open) > 0 {
		return "the element " + r.open[len(r.open)-1] + " is not closed"
	}
	if strings.TrimSpace(r.src[r.pos:]) != "" {
		return "there is text after the div"
	}
	return ""
}

// hasControl reports what XML allows nowhere (XML 1.0 section 2.2).
func hasControl(s string) bool {
	for ; len(s) >= 8; s = s[8:] {
		if !plainEight(s) && controlAt(s, 8) {
			return true
		}
	}
	return controlAt(s, len(s))
}

// plainEight reports whether the first eight bytes are ASCII and none is a control
// character: subtracting takes a borrow from the high bit of those that are less.
func plainEight(s string) bool {
	const ones, highs = 0x0101010101010101, 0x8080808080808080
	_ = s[7]
	x := uint64(s[0]) | uint64(s[1])<<8 | uint64(s[2])<<16 | uint64(s[3])<<24 |
		uint64(s[4])<<32 | uint64(s[5])<<40 | uint64(s[6])<<48 | uint64(s[7])<<56
	return ((x-' '*ones)|x)&highs == 0
}

// controlAt looks at the first n bytes, and at the character that begins there.
func controlAt(s string, n int) bool {
	for i := range n {
		c := s[i]
		if c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return true
		}
		if c == 0xef && (strings.HasPrefix(s[i:], "\ufffe") || strings.HasPrefix(s[i:], "\uffff")) {
			return true
		}
	}
	return false
}

func xmlCharacter(c rune) bool {
	return c >= ' ' && c != 0xfffe && c != 0xffff || c == '\t' || c == '\n' || c == '\r'
}

// entity reads a character reference.
func (r *xhtmlReader) entity() string {
	end := strings.IndexByte(r.src[r.pos:], ';')
	if end < 2 || end > 10 {
		return "& must be written as &amp;"
	}
	name := r.src[r.pos+1 : r.pos+end]
	r.pos += end + 1
	switch name {
	case "amp", "lt", "gt", "quot", "apos":
		return ""
	}
	digits, ok := strings.CutPrefix(name, "#")
	if !ok {
		return "the entity &" + name + "; is not known in XHTML without a DTD: write the character itself"
	}
	base := 10
	if hex, isHex := strings.CutPrefix(digits, "x"); isHex {
		base, digits = 16, hex
	}
	if c, err := strconv.ParseUint(digits, base, 21); err == nil && xmlCharacter(rune(c)) && utf8.ValidRune(rune(c)) {
		return ""
	}
	return "the character reference &" + name + "; cannot be read"
}

func (r *xhtmlReader) markup() string {
	rest := r.src[r.pos:]
	switch {
	case strings.HasPrefix(rest, "</"):
		return r.endTag()
	case strings.HasPrefix(rest, "<!--"):
		end := strings.Index(rest[4:], "--")
		if end < 0 || !strings.HasPrefix(rest[4+end:], "-->") {
			return "a comment does not end, or has -- within it"
		}
		r.pos += end + 7
		return ""
	case strings.HasPrefix(rest, "<![CDATA["):
		end := strings.Index(rest, "]]>")
		if end < 0 {
			return "a CDATA section does not end"
		}
		r.pos += end + 3
		return ""
	}
	return r.startTag()
}

func (r *xhtmlReader) endTag() string {
	end := strings.IndexByte(r.src[r.pos:], '>')
	if end < 0 {
		return "a tag does not end"
	}
	name := r.src[r.pos+2 : r.pos+end]
	for name != "" && isBlank(name[len(name)-1]) {
		name = name[:len(name)-1]
	}
	if len(r.open) == 0 || r.open[len(r.open)-1] != name {
		return "the end tag </" + clip(name) + "> closes nothing"
	}
	r.open = r.open[:len(r.open)-1]
	r.pos += end + 1
	return ""
}

func (r *xhtmlReader) startTag() string {
	r.pos++
	name := r.name()
	if !htmlElement(name) {
		return "the element <" + clip(name) + "> is not allowed"
	}
	namespace := ""
	r.attributes = r.attributes[:0]
	for {
		spaced := r.space()
		if r.pos >= len(r.src) {
			return "a tag does not end"
		}
		if c := r.src[r.pos]; c == '>' || c == '/' {
			return r.closeStart(name, namespace)
		}
		attribute, value, fault := r.attribute()
		if fault == "" && !spaced {
			fault = "attributes must be separated by a space"
		}
		if fault == "" && len(r.attributes) > mostAttributes {
			fault = "a tag has too many attributes"
		}
		if fault == "" && slices.Contains(r.attributes, attribute) {
			fault = "the attribute " + attribute + " stands twice"
		}
		if fault == "" {
			fault = attributeFault(name, attribute, value)
		}
		if fault != "" {
			return fault
		}
		r.attributes = append(r.attributes, attribute)
		if attribute == "xmlns" {
			namespace = value
		}
	}
}

func (r *xhtmlReader) closeStart(name, namespace string) string {
	if len(r.open) == 0 && namespace != xhtmlNamespace {
		return "the div needs xmlns=\"" + xhtmlNamespace + "\""
	}
	if r.src[r.pos] == '>' {
		r.pos++
		if r.open = append(r.open, name); len(r.open) > deepest {
			return "it is nested too deeply"
		}
		return ""
	}
	if !strings.HasPrefix(r.src[r.pos:], "/>") {
		return "a tag does not end"
	}
	r.pos += 2
	return ""
}

func (r *xhtmlReader) attribute() (name, value, fault string) {
	name = r.name()
	if name == "" {
		return "", "", "an attribute's name is expected in a tag"
	}
	r.space()
	if r.pos >= len(r.src) || r.src[r.pos] != '=' {
		return "", "", "the attribute " + name + " needs a value"
	}
	r.pos++
	r.space()
	if r.pos >= len(r.src) || r.src[r.pos] != '"' && r.src[r.pos] != '\'' {
		return "", "", "the value of " + name + " must be in quotes"
	}
	quote := r.src[r.pos]
	end := strings.IndexByte(r.src[r.pos+1:], quote)
	if end < 0 {
		return "", "", "the value of " + name + " does not end"
	}
	value = r.src[r.pos+1 : r.pos+1+end]
	r.pos += end + 2
	return name, value, valueFault(name, value)
}

// valueFault reads what is within the quotes of an attribute.
func valueFault(name, value string) string {
	if strings.IndexByte(value, '<') >= 0 {
		return "< is not allowed in the value of " + name
	}
	r := xhtmlReader{src: value}
	for {
		i := strings.IndexByte(value[r.pos:], '&')
		if i < 0 {
			return ""
		}
		r.pos += i
		if fault := r.entity(); fault != "" {
			return fault
		}
	}
}

func (r *xhtmlReader) name() string {
	from := r.pos
	for r.pos < len(r.src) {
		c := r.src[r.pos]
		if !isAlnum(c) && c != '-' && c != ':' && c != '_' && c != '.' {
			break
		}
		r.pos++
	}
	return r.src[from:r.pos]
}

func (r *xhtmlReader) space() bool {
	from := r.pos
	for r.pos < len(r.src) && isBlank(r.src[r.pos]) {
		r.pos++
	}
	return r.pos > from
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' || c == '\r' || c == '\n' }

func htmlElement(name string) bool {
	switch name {
	case "div", "span", "h1", "h2", "h3", "h4", "h5", "h6", "address", "bdo", // chapters 7 and 8
		"em", "strong", "dfn", "code", "samp", "kbd", "var", "cite", "abbr", "acronym", // 9
		"blockquote", "q", "sub", "sup", "p", "br", "pre",
		"ul", "ol", "li", "dl", "dt", "dd", // 10
		"table", "caption", "thead", "tfoot", "tbody", "colgroup", "col", "tr", "th", "td", // 11
		"center", "tt", "i", "b", "big", "small", "strike", "s", "u", "font", "hr", // 15
		"a", "img", "map", "area": // named beside the chapters
		return true
	}
	return false
}

// attributeFault checks an attribute by name, and that no value runs a script.
func attributeFault(element, name, value string) string {
	switch name {
	case "xmlns", "id", "class", "style", "title", "lang", "xml:lang", "dir", // common
		"align", "valign", "char", "charoff", "width", "height", "span", "abbr", "axis", "headers", "scope",
		"rowspan", "colspan", "border", "frame", "rules", "cellpadding", "cellspacing", "summary", "nowrap",
		"cite", "start", "type", "value", "compact", "bgcolor", "clear", "size", "color", "face", "noshade",
		"name", "shape", "coords", "usemap", "ismap", "alt", "hspace", "vspace", "longdesc",
		"rel", "rev", "charset", "hreflang", "accesskey", "tabindex", "target":
		return ""
	case "href", "src":
		if runsScript(value) {
			return "scripts are not allowed in " + name
		}
		return ""
	}
	if strings.HasPrefix(name, "xmlns:") {
		return ""
	}
	return "the attribute " + clip(name) + " is not allowed on <" + element + ">"
}

// runsScript reports a URL that a browser would run, also where its scheme is
// written with character references or with white space, which browsers drop.
func runsScript(value string) bool {
	scheme, _, ok := strings.Cut(html.UnescapeString(value), ":")
	scheme = strings.Map(func(c rune) rune {
		if c <= ' ' {
			return -1
		}
		return c
	}, scheme)
	return ok && (strings.EqualFold(scheme, "javascript") || strings.EqualFold(scheme, "vbscript"))
}

// narrativeHasContent reports whether a narrative shows anything: text or an image.
func narrativeHasContent(s string) bool {
	inTag := false
	for i, c := range s {
		switch {
		case c == '<':
			inTag = true
			if strings.HasPrefix(s[i:], "<img") {
				return true
			}
		case c == '>':
			inTag = false
		case !inTag && !unicode.IsSpace(c):
			return true
		}
	}
	return false
}
