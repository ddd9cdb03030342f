package timeline

import (
	"fmt"
	"html"
	"strconv"
	"strings"
	"unicode"
)

// canvas writes SVG. Coordinates are whole units, of which the page is 1000 wide.
type canvas struct{ b strings.Builder }

// The sizes of text, in units. A picture 190 mm wide prints small as 8 points.
const (
	small  = 15
	normal = 16
	large  = 24
)

const (
	ink    = "#1a1a1a"
	faint  = "#b8b8b8"
	grey   = "#6a6a6a"
	air    = "#d9e6ec"
	blood  = "#8c1515"
	family = "Liberation Sans, Arial, Helvetica, sans-serif"
)

// attributes are names and values in turn, drawn as they stand: values are ours.
func (c *canvas) element(name string, attributes ...any) {
	c.start(name, attributes)
	c.b.WriteString("/>\n")
}

func (c *canvas) open(name string, attributes ...any) {
	c.start(name, attributes)
	c.b.WriteString(">\n")
}

func (c *canvas) start(name string, attributes []any) {
	c.b.WriteString("<" + name)
	for i := 0; i+1 < len(attributes); i += 2 {
		fmt.Fprintf(&c.b, ` %s="%s"`, attributes[i], html.EscapeString(printable(fmt.Sprint(attributes[i+1]))))
	}
}

func (c *canvas) end(name string) { c.b.WriteString("</" + name + ">\n") }

// words writes an element that holds text alone.
func (c *canvas) words(name, text string, attributes ...any) {
	c.start(name, attributes)
	c.b.WriteString(">" + html.EscapeString(printable(text)) + "</" + name + ">\n")
}

// text writes a line of text; anchor is start, middle or end.
func (c *canvas) text(x, y, size int, anchor, text string, more ...any) {
	c.words("text", text, append([]any{"x", x, "y", y, "font-size", size, "text-anchor", anchor}, more...)...)
}

func (c *canvas) line(x1, y1, x2, y2 int, more ...any) {
	c.element("line", append([]any{"x1", x1, "y1", y1, "x2", x2, "y2", y2}, more...)...)
}

func (c *canvas) rect(x, y, w, h int, more ...any) {
	c.element("rect", append([]any{"x", x, "y", y, "width", w, "height", h}, more...)...)
}

func (c *canvas) path(d string, more ...any) { c.element("path", append([]any{"d", d}, more...)...) }

// halo keeps text legible on lines.
func halo() []any { return []any{"stroke", "#fff", "stroke-width", 3, "paint-order", "stroke"} }

// printable drops what XML 1.0 may not hold.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// width is about how wide a text is, rather too wide: the reader's font is not known.
func width(text string, size int) int { return len([]rune(text)) * size * 52 / 100 }

// wrap breaks a text into lines that fit.
func wrap(text string, size, fits int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && width(line+" "+word, size) > fits {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	return append(lines, line)
}

// points joins coordinates for a path.
func points(parts ...any) string {
	var b strings.Builder
	for i, p := range parts {
		if i > 0 {
			b.WriteByte(' ')
		}
		switch p := p.(type) {
		case int:
			b.WriteString(strconv.Itoa(p))
		case string:
			b.WriteString(p)
		}
	}
	return b.String()
}
