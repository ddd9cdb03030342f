package fhir

import (
	"html"
	"strings"
	"unicode"
	"unicode/utf8"
)

// narrative builds the XHTML of a resource's text. What is put in is text, never
// markup. Source: hl7.org/fhir/R4/narrative.html.
type narrative struct{ b strings.Builder }

func (n *narrative) para(label, text string) {
	n.b.WriteString("<p>")
	if label != "" {
		n.b.WriteString("<b>" + escape(label) + "</b>")
		if text != "" {
			n.b.WriteString(": ")
		}
	}
	n.b.WriteString(escape(text) + "</p>")
}

// table writes rows of a label and a text; rows without text are left out.
func (n *narrative) table(rows [][2]string) {
	opened := false
	for _, r := range rows {
		if strings.TrimSpace(r[1]) == "" {
			continue
		}
		if !opened {
			n.b.WriteString("<table><tbody>")
			opened = true
		}
		n.b.WriteString("<tr><th>" + escape(r[0]) + "</th><td>" + escape(r[1]) + "</td></tr>")
	}
	if opened {
		n.b.WriteString("</tbody></table>")
	}
}

// list writes items under a label; nothing when there is none.
func (n *narrative) list(label string, items []string) {
	if len(items) == 0 {
		return
	}
	n.para(label, "")
	n.b.WriteString("<ul>")
	for _, i := range items {
		n.b.WriteString("<li>" + escape(i) + "</li>")
	}
	n.b.WriteString("</ul>")
}

// text gives the narrative; status generated, since all of it comes from the data.
func (n *narrative) text() *Narrative {
	return &Narrative{
		Status: "generated",
		Div:    `<div xmlns="http://www.w3.org/1999/xhtml">` + n.b.String() + "</div>",
	}
}

func escape(s string) string { return html.EscapeString(clean(s)) }

// clean drops what neither R4 strings nor XHTML may hold: control characters other
// than tab and line ends, and noncharacters. What is not UTF-8 becomes U+FFFD.
func clean(s string) string {
	s = strings.ToValidUTF8(s, string(utf8.RuneError))
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return r
		case unicode.IsControl(r), r >= 0xFFFE && r <= 0xFFFF:
			return -1
		}
		return r
	}, s))
}
