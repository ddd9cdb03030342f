package mutate

import "fhirsvc/internal/fhir/tree"

// everyResource breaks the invariants of elements and extensions, in the member that
// every resource may have.
func (m *maker) everyResource(n *tree.Node) {
	meta := func(key, text string) { m.emit(Invariant, key, n, m.with(n, "meta", text)) }
	meta("ele-1", `{"id":"a1"}`)
	meta("ext-1/neither", `{"extension":[{"url":"https://fhirsvc.example/any"}]}`)
	meta("ext-1/both", `{"extension":[{"url":"https://fhirsvc.example/any","valueString":"a","extension":[{"url":"b","valueString":"c"}]}]}`)
}

// domainResource breaks the rules of narratives and contained resources.
func (m *maker) domainResource(n *tree.Node, contained bool) {
	if div := n.Get("text").Get("div"); div != nil {
		for _, bad := range narratives() {
			m.emit(Invariant, bad.key, div, replaced(div, quote(bad.div)))
		}
	}
	if contained {
		return
	}
	const nobody = `{"resourceType":"Organization","id":"c9","name":"text"}`
	if list := n.Get("contained"); list != nil {
		raw := m.doc.Raw(list)
		m.emit(Invariant, "dom-3", n, replaced(list, raw[:len(raw)-1]+","+nobody+"]"))
	} else {
		m.emit(Invariant, "dom-3", n, added(n, `"contained":[`+nobody+"]"))
	}
	c := n.Get("contained").At(0)
	if t := m.set.Type(c.Str("resourceType")); t == nil || !t.Is("DomainResource") {
		return
	}
	m.emit(Invariant, "dom-2", c, m.with(c, "contained", "["+nobody+"]"))
	m.emit(Invariant, "dom-4/version", c, m.with(c, "meta", `{"versionId":"1"}`))
	m.emit(Invariant, "dom-4/updated", c, m.with(c, "meta", `{"lastUpdated":"2025-03-04T09:00:00Z"}`))
	m.emit(Invariant, "dom-5", c, m.with(c, "meta", `{"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"R"}]}`))
}

// narrative is a div that R4 forbids.
type narrative struct{ key, div string }

// narratives break txt-1 and txt-2 (hl7.org/fhir/R4/narrative.html#xhtml).
func narratives() []narrative {
	in := func(key, inner string) narrative {
		return narrative{key, `<div xmlns="http://www.w3.org/1999/xhtml">` + inner + `</div>`}
	}
	return []narrative{
		in("txt-1/script", `<script>alert(1)</script>text`),
		in("txt-1/handler", `<p onclick="alert(1)">text</p>`),
		in("txt-1/form", `<form action="a"><input name="a"/></form>text`),
		in("txt-1/object", `<object data="a">text</object>`),
		in("txt-1/iframe", `<iframe src="https://fhirsvc.example">text</iframe>`),
		in("txt-1/link", `<link rel="stylesheet" href="a"/>text`),
		in("txt-1/base", `<base href="https://fhirsvc.example"/>text`),
		{"txt-1/root", `<p xmlns="http://www.w3.org/1999/xhtml">text</p>`},
		{"txt-1/namespace", `<div>text</div>`},
		in("txt-1/unclosed", `<p>text`),
		in("txt-1/entity", `text&nosuch;`),
		{"txt-1/text-only", `text`},
		in("txt-2/empty", ``),
		in("txt-2/space", " \n\t"),
		in("txt-2/tags", `<p></p>`),
	}
}
