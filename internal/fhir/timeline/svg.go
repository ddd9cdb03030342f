package timeline

import (
	"slices"
	"strconv"
	"time"
)

// SVG draws the picture, UTF-8. It does not fail; To must be after From and Top above 0.
// Source: w3.org/TR/SVG2, and for its text alternatives w3.org/TR/svg-aam-1.0.
func (p Picture) SVG() []byte {
	var body canvas
	height := body.page(&p)
	var c canvas
	c.open("svg", "xmlns", "http://www.w3.org/2000/svg", "viewBox", points(0, 0, pageWidth, height),
		"width", strconv.Itoa(pageMillimetres)+"mm", "height", strconv.Itoa(pageMillimetres*height/pageWidth)+"mm",
		"font-family", family, "fill", ink, "lang", "en")
	c.words("title", p.Title)
	c.patterns()
	c.rect(0, 0, pageWidth, height, "fill", "#fff")
	c.b.WriteString(body.b.String())
	c.b.WriteString("</svg>\n")
	return []byte(c.b.String())
}

// page draws all, and gives how high it has become.
func (c *canvas) page(p *Picture) int {
	y := c.head(p)
	c.open("g", "role", "img", "aria-labelledby", "name-"+p.ID, "aria-describedby", "about-"+p.ID)
	c.words("title", p.Title, "id", "name-"+p.ID)
	c.words("desc", p.About, "id", "about-"+p.ID)
	y = c.picture(p, y)
	y = c.legend(p, y)
	c.end("g")
	y = c.list(p, y)
	for _, line := range wrap(p.Caution, normal, (right-left)*9/10) {
		c.text(left, y, normal, "start", line, "font-weight", "bold")
		y += 22
	}
	return y + 6
}

func (c *canvas) head(p *Picture) int {
	y := 36
	c.text(left, y, large, "start", p.Title, "font-weight", "bold")
	y += 28
	for _, words := range p.Head {
		for _, line := range wrap(words, normal, right-left) {
			c.text(left, y, normal, "start", line)
			y += 22
		}
	}
	return y + 4
}

// picture draws the plot, the lanes below it, and the axes above and below.
func (c *canvas) picture(p *Picture, y int) int {
	c.axis(p, y+12, p.offset(), p.zone())
	top := y + 68
	lanes, ends := p.lay(top + plotHeight + 10)
	for i, l := range lanes {
		if i%2 == 0 {
			c.rect(left-6, l.top, right-left+12, l.height, "fill", "#f1f1f1")
		}
	}
	for _, t := range p.ticks() {
		c.line(p.x(t), top-4, p.x(t), ends, "stroke", faint, "stroke-width", 1)
	}
	c.plot(p, top)
	c.lines(p, top, ends)
	for _, l := range lanes {
		c.lane(l)
	}
	c.axis(p, ends+18, "UTC", time.UTC)
	return ends + 60
}

// lines draws what matters to all lanes, its words in rows above the plot.
func (c *canvas) lines(p *Picture, top, ends int) {
	until := 0
	for _, l := range p.Lines {
		x, y := p.x(l.At), top-8
		w := width(l.Label, small)
		from := min(max(x-w/2, plotLeft), right-w)
		if from < until+4 {
			y -= 17
		} else {
			until = from + w
		}
		style := []any{"stroke", ink, "stroke-width", 1, "stroke-dasharray", "3 4"}
		if l.Bold {
			style = []any{"stroke", ink, "stroke-width", 2, "stroke-dasharray", "10 4"}
		}
		c.line(x, top-6, x, ends, style...)
		c.text(from, y, small, "start", l.Label, append(halo(), "font-weight", "bold")...)
	}
}

// used gives the signs of the legend that the picture has.
func (p *Picture) used() []Sign {
	var signs []Sign
	for _, s := range p.Legend {
		if slices.ContainsFunc(p.Lanes, func(l Lane) bool { return l.has(s) }) {
			signs = append(signs, s)
		}
	}
	return signs
}

func (l Lane) has(s Sign) bool {
	return s.Shape != NoShape && slices.ContainsFunc(l.Marks, func(m Mark) bool { return m.Shape == s.Shape }) ||
		s.Pattern != NoPattern && slices.ContainsFunc(l.Bars, func(b Bar) bool { return b.Pattern == s.Pattern })
}

// legend says what the shapes and patterns mean, in four columns.
func (c *canvas) legend(p *Picture, y int) int {
	const columns = 4
	signs := p.used()
	per := (len(signs) + columns - 1) / columns
	for i, s := range signs {
		x, at := left+(i/max(per, 1))*(right-left)/columns, y+(i%max(per, 1))*24
		if s.Pattern != NoPattern {
			c.bar(s.Pattern, x, at+2, 24)
		} else {
			c.shape(s.Shape, x+12, at+2)
		}
		c.text(x+30, at+7, small, "start", s.Words)
	}
	return y + per*24 + 14
}

// list writes what happened in words: for who can't see the picture, and for who wants
// to be sure.
func (c *canvas) list(p *Picture, y int) int {
	const gap, clock = 20, 58
	column := (right - left - gap) / 2
	c.text(left, y+8, normal, "start", p.ListTitle, "font-weight", "bold")
	y += 32
	type entry struct {
		time  string
		lines []string
	}
	var entries []entry
	total, day := 0, p.From.In(p.zone()).Format("2 Jan")
	for _, it := range p.Items {
		local := it.At.In(p.zone())
		e := entry{local.Format("15:04"), wrap(it.Words, small, column-clock)}
		if d := local.Format("2 Jan"); d != day {
			day = d
			e.lines = wrap("("+d+") "+it.Words, small, column-clock)
		}
		entries = append(entries, e)
		total += len(e.lines)
	}
	c.open("g", "role", "list", "aria-label", p.ListTitle)
	x, at, used, lowest := left, y, 0, y
	for _, e := range entries {
		if x == left && used > 0 && 2*used >= total {
			x, at = left+column+gap, y
		}
		c.open("g", "role", "listitem")
		c.text(x, at, small, "start", e.time, "font-weight", "bold")
		for _, line := range e.lines {
			c.text(x+clock, at, small, "start", line)
			at += 20
		}
		c.end("g")
		used += len(e.lines)
		lowest = max(lowest, at)
	}
	c.end("g")
	return lowest + 14
}
