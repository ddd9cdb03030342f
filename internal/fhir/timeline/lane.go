package timeline

import "slices"

const rowHeight = 25

// placed is a mark or bar with its room in a lane.
type placed struct {
	from, to  int // with its label
	row       int
	x, w      int // of the bar, or of the mark's middle
	shape     Shape
	pattern   Pattern
	label     string
	labelLeft bool
	inside    bool // the label stands in the bar
}

// place finds a row for each mark and bar of a lane, so that none touches another, and
// gives how many rows there are, at least one.
func (p *Picture) place(l Lane) ([]placed, int) {
	var all []placed
	for _, m := range l.Marks {
		x := p.x(m.At)
		all = append(all, beside(placed{from: x - reach, to: x + reach, x: x, shape: m.Shape, label: m.Label}))
	}
	for _, b := range l.Bars {
		x := p.x(b.From)
		w := max(p.x(b.To)-x, 6)
		x = min(x, right-w)
		q := placed{from: x, to: x + w, x: x, w: w, pattern: b.Pattern, label: b.Label}
		if b.Pattern == Hollow && width(b.Label, small)+2 <= w {
			q.inside = true
			all = append(all, q)
			continue
		}
		all = append(all, beside(q))
	}
	slices.SortStableFunc(all, func(a, b placed) int { return a.from - b.from })
	var ends []int
	for i := range all {
		q := &all[i]
		q.row = slices.IndexFunc(ends, func(end int) bool { return end+3 <= q.from })
		if q.row < 0 {
			q.row = len(ends)
			ends = append(ends, 0)
		}
		ends[q.row] = q.to
	}
	return all, max(len(ends), 1)
}

// beside gives the label its room: to the right, or to the left where the page ends.
func beside(q placed) placed {
	if q.label == "" {
		return q
	}
	w := width(q.label, small) + 4
	if q.labelLeft = q.to+w > right; q.labelLeft {
		q.from -= w
		return q
	}
	q.to += w
	return q
}

// laid is a lane with its place on the page.
type laid struct {
	name        []string // in lines
	empty       string
	placed      []placed
	top, height int
}

// lay puts the lanes below each other from top on, and gives where they end.
func (p *Picture) lay(top int) ([]laid, int) {
	var lanes []laid
	for _, l := range p.Lanes {
		all, rows := p.place(l)
		name := wrap(l.Name, small, plotLeft-left-8)
		height := max(rows*rowHeight, len(name)*18) + 8
		lanes = append(lanes, laid{name, l.Empty, all, top, height})
		top += height
	}
	return lanes, top
}

func (c *canvas) lane(l laid) {
	for i, words := range l.name {
		c.text(left, l.top+20+18*i, small, "start", words, "font-weight", "bold")
	}
	if len(l.placed) == 0 {
		c.text(plotLeft+8, l.top+20, small, "start", l.empty, append(halo(), "fill", grey)...)
	}
	for _, q := range l.placed {
		c.placed(q, l.top+4+q.row*rowHeight+rowHeight/2)
	}
}

func (c *canvas) placed(q placed, y int) {
	if q.pattern != NoPattern {
		c.bar(q.pattern, q.x, y, q.w)
	} else {
		c.shape(q.shape, q.x, y)
	}
	switch {
	case q.label == "":
	case q.inside:
		c.text(q.x+q.w/2, y+5, small, "middle", q.label)
	case q.labelLeft:
		c.text(q.from+width(q.label, small), y+5, small, "end", q.label, halo()...)
	default:
		c.text(q.to-width(q.label, small), y+5, small, "start", q.label, halo()...)
	}
}
