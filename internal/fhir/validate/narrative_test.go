package validate

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestNarrativeFault covers the rules of hl7.org/fhir/R4/narrative.html; want is a
// part of the fault, "" when the narrative is allowed.
func TestNarrativeFault(t *testing.T) {
	t.Parallel()
	div := func(s string) string { return `<div xmlns="http://www.w3.org/1999/xhtml">` + s + `</div>` }
	tests := []struct{ xhtml, want string }{
		{div("x"), ""},
		{" \n" + div("x") + "\n", ""},
		{`<div xmlns='http://www.w3.org/1999/xhtml' class="a" xml:lang="de">x</div>`, ""},
		{div(`<p style="color: red">a <b>b</b><br/><img src="#a" alt="x"/> <a href="https://x.example">c</a></p>`), ""},
		{div(`<table border="1"><thead><tr><th scope="col">a</th></tr></thead><tbody><tr><td colspan="2">b</td></tr></tbody></table>`), ""},
		{div("<!-- a <b> comment -->x<![CDATA[ <y> ]]>"), ""},
		{div("&amp;&lt;&gt;&quot;&apos;&#160;&#xA0;"), ""},
		{"<p>x</p>", "start with <div"},
		{"<div>x</div>", "xmlns"},
		{div("x") + "y", "text after"},
		{div("x") + div("y"), "text after"},
		{div("<p>x"), "closes nothing"},
		{`<div xmlns="http://www.w3.org/1999/xhtml"><p>x</p>`, "div is not closed"},
		{div("<b><i>x</b></i>"), "closes nothing"},
		{div("<P>x</P>"), "<P> is not allowed"},
		{div("<form>x</form>"), "<form> is not allowed"},
		{div("<ins>x</ins>"), "<ins> is not allowed"},
		{div("<?php x ?>"), "not allowed"},
		{div("<!DOCTYPE x>"), "not allowed"},
		{div(`<p onclick="x">y</p>`), "onclick is not allowed"},
		{div(`<p class=a>y</p>`), "in quotes"},
		{div(`<p class>y</p>`), "needs a value"},
		{div(`<p class="a>y</p>`), "does not end"},
		{div(`<p class="a"id="b">y</p>`), "separated"},
		{div(`<p class="a" class="b">y</p>`), "stands twice"},
		{div(`<p title="<">y</p>`), "< is not allowed"},
		{div(`<a href="JavaScript:x()">y</a>`), "scripts"},
		{div(`<a href="java&#115;cript:x()">y</a>`), "scripts"},
		{div("<a href=' java\nscript:x()'>y</a>"), "scripts"},
		{div("a & b"), "&amp;"},
		{div("&nbsp;"), "&nbsp;"},
		{div("&#x;"), "cannot be read"},
		{div("&#12a;"), "cannot be read"},
		{div("<!-- x"), "comment"},
		{div("<![CDATA[x"), "CDATA section does not end"},
		{div("<p"), "name is expected"},
		{div("a ]]> b"), "]]&gt;"},
		{div("a \x01 b"), "control character"},
		{div("\x1f eight times eight bytes are read at a time"), "control character"},
		{div("a line that ends\n\tand goes on\r\nand has ümläuts, 日本 and ｅ"), ""},
		{div("neither of these is a character: \ufffe"), "control character"},
		{div("1234567\uffff"), "control character"},
		{div("<!-- a -- b -->"), "comment"},
		{div("&#1;"), "cannot be read"},
		{div("&#xD800;"), "cannot be read"},
		{"<div", "does not end"},
		{"", "start with <div"},
	}
	for _, tt := range tests {
		got := new(xhtmlReader).fault(tt.xhtml)
		if tt.want == "" {
			require.Empty(t, got, tt.xhtml)
			continue
		}
		require.Contains(t, got, tt.want, tt.xhtml)
	}
}

func TestNarrativeHasContent(t *testing.T) {
	t.Parallel()
	for xhtml, want := range map[string]bool{
		"<div>x</div>": true, "<div> <p>\u00a0</p>\n</div>": false, `<div><img src="a"/></div>`: true, "<div title='x'/>": false,
	} {
		require.Equal(t, want, narrativeHasContent(xhtml), xhtml)
	}
}

// TestAcceptedNarrativesAreWellFormed holds the reader against encoding/xml: what it
// accepts is well-formed XML, on texts a few edits away from an allowed narrative.
func TestAcceptedNarrativesAreWellFormed(t *testing.T) {
	t.Parallel()
	const seed = `<div xmlns="http://www.w3.org/1999/xhtml"><p class='a b' id="c">x &amp; <br/><!-- n --> <b>y</b></p></div>`
	require.Empty(t, new(xhtmlReader).fault(seed))
	rapid.Check(t, func(t *rapid.T) {
		s := seed
		for range rapid.IntRange(1, 4).Draw(t, "edits") {
			at := rapid.IntRange(0, len(s)-1).Draw(t, "at")
			piece := rapid.SampledFrom([]string{"", "<", ">", "/", "&", ";", `"`, "'", "-", "!", " ", "p", "<i>", "</i>", "&#x41;", "]]>"}).Draw(t, "piece")
			cut := rapid.IntRange(0, 1).Draw(t, "cut")
			s = s[:at] + piece + s[at+cut:]
		}
		if new(xhtmlReader).fault(s) == "" {
			require.NoError(t, wellFormed(s), "%s", s)
		}
	})
}

func wellFormed(s string) error {
	d := xml.NewDecoder(strings.NewReader(s))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}
