package timeline

// Shape is how a mark looks. Each is told from the others without colour.
type Shape int

// The shapes; NoShape draws none.
const (
	NoShape   Shape = iota
	Down            // filled triangle on its point
	Up              // filled triangle on its base
	Count           // two short strokes, as in "equals"
	Adjust          // hollow diamond
	Ring            // hollow circle
	HalfRing        // circle, its lower half filled
	Drop            // filled drop, larger than the others
	Box             // hollow square
	FullBox         // filled square
	AskBox          // square with a question mark
	BrokenBox       // square in a broken line
	Cross           // two crossed strokes
	Tick            // a tick
	Alarm           // circle with an exclamation mark
	Arrow           // arrow to the right
	Band            // thick ring
	SlashBand       // thick ring, struck through
	Pennant         // small flag
)

// reach is how far a shape goes from its middle to each side.
const reach = 9

func (c *canvas) shape(s Shape, x, y int) {
	thin := []any{"fill", "#fff", "stroke", ink, "stroke-width", 2}
	full := []any{"fill", ink, "stroke", ink, "stroke-width", 1}
	stroke := []any{"fill", "none", "stroke", ink, "stroke-width", 2}
	circle := func(r int, more ...any) { c.element("circle", append([]any{"cx", x, "cy", y, "r", r}, more...)...) }
	switch s {
	case NoShape:
	case Down:
		c.path(points("M", x-8, y-6, "h", 16, "l", -8, 14, "z"), full...)
	case Up:
		c.path(points("M", x-8, y+6, "h", 16, "l", -8, -14, "z"), full...)
	case Count:
		c.path(points("M", x-7, y-3, "h", 14, "M", x-7, y+4, "h", 14), "fill", "none", "stroke", ink, "stroke-width", 3)
	case Adjust:
		c.path(points("M", x, y-8, "l", 8, 8, "l", -8, 8, "l", -8, -8, "z"), thin...)
	case Ring:
		circle(6, thin...)
	case HalfRing:
		circle(7, thin...)
		c.path(points("M", x-7, y, "a", 7, 7, 0, 0, 0, 14, 0, "z"), full...)
	case Drop:
		c.path(points("M", x, y-12, "c", 3, 7, 9, 9, 9, 14, "a", 9, 9, 0, 0, 1, -18, 0, "c", 0, -5, 6, -7, 9, -14, "z"),
			"fill", blood, "stroke", ink, "stroke-width", 1)
	case Box:
		c.rect(x-7, y-7, 14, 14, thin...)
	case FullBox:
		c.rect(x-7, y-7, 14, 14, full...)
	case AskBox:
		c.rect(x-8, y-8, 16, 16, thin...)
		c.text(x, y+6, small, "middle", "?", "font-weight", "bold")
	case BrokenBox:
		c.rect(x-7, y-7, 14, 14, append(thin, "stroke-dasharray", "4 3")...)
	case Cross:
		c.path(points("M", x-6, y-6, "l", 12, 12, "m", 0, -12, "l", -12, 12), stroke...)
	case Tick:
		c.path(points("M", x-7, y, "l", 5, 6, "l", 9, -12), "fill", "none", "stroke", ink, "stroke-width", 3)
	case Alarm:
		circle(8, thin...)
		c.path(points("M", x, y-5, "v", 6, "m", 0, 2, "v", 3), "fill", "none", "stroke", ink, "stroke-width", 3)
	case Arrow:
		c.path(points("M", x-8, y, "h", 14, "m", -6, -6, "l", 7, 6, "l", -7, 6), stroke...)
	case Band:
		circle(6, "fill", "#fff", "stroke", ink, "stroke-width", 4)
	case SlashBand:
		circle(6, "fill", "#fff", "stroke", ink, "stroke-width", 4)
		c.line(x-9, y+9, x+9, y-9, "stroke", ink, "stroke-width", 2)
	case Pennant:
		c.path(points("M", x-5, y+8, "v", -16, "l", 12, 5, "l", -12, 5), "fill", ink, "stroke", ink, "stroke-width", 2)
	}
}

// Pattern is how a bar looks.
type Pattern int

// The patterns; NoPattern draws none.
const (
	NoPattern Pattern = iota
	Hollow            // a box
	Struck            // a box, struck through
	Hatched           // a box with strokes
	Solid             // black
	Wave              // a row of small arcs
	Whisker           // a line with ends, broken
)

// barHeight is that of every bar.
const barHeight = 18

// bar draws a bar with its middle at y.
func (c *canvas) bar(p Pattern, x, y, w int) {
	top := y - barHeight/2
	box := []any{"stroke", ink, "stroke-width", 1}
	switch p {
	case NoPattern:
	case Hollow:
		c.rect(x, top, w, barHeight, append(box, "fill", "#fff")...)
	case Struck:
		c.rect(x, top, w, barHeight, append(box, "fill", "#fff")...)
		c.line(x, top+barHeight, x+w, top, box...)
	case Hatched:
		c.rect(x, top, w, barHeight, append(box, "fill", "url(#hatch)")...)
	case Solid:
		c.rect(x, y-5, w, 10, "fill", blood, "stroke", ink, "stroke-width", 1)
	case Wave:
		c.rect(x, y-5, w, 10, append(box, "fill", "url(#beads)")...)
	case Whisker:
		c.path(points("M", x, y-7, "v", 14, "M", x+w, y-7, "v", 14), "fill", "none", "stroke", ink, "stroke-width", 2)
		c.line(x, y, x+w, y, "stroke", ink, "stroke-width", 3, "stroke-dasharray", "6 4")
	}
}

// patterns defines what fills are made of.
func (c *canvas) patterns() {
	c.open("defs")
	tile := func(id string, size int) {
		c.open("pattern", "id", id, "width", size, "height", size, "patternUnits", "userSpaceOnUse")
	}
	tile("hatch", 8)
	c.rect(0, 0, 8, 8, "fill", "#fff")
	c.path("M -2 2 l 4 -4 M 0 8 l 8 -8 M 6 10 l 4 -4", "stroke", grey, "stroke-width", 1)
	c.end("pattern")
	tile("beads", 10)
	c.rect(0, 0, 10, 10, "fill", "#fff")
	c.element("circle", "cx", 5, "cy", 5, "r", 3, "fill", ink)
	c.end("pattern")
	tile("dots", 12)
	c.rect(0, 0, 12, 12, "fill", "#fff")
	c.element("circle", "cx", 3, "cy", 3, "r", 2, "fill", grey)
	c.element("circle", "cx", 9, "cy", 9, "r", 2, "fill", grey)
	c.end("pattern")
	c.end("defs")
}
