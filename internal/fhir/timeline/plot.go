package timeline

import (
	"strconv"
	"time"
)

const plotHeight = 230

// y is where a volume stands in the plot that begins at top. The book may be below nothing
// while it is uncertain: that stands on the floor.
func (p *Picture) y(top, volume int) int {
	return top + plotHeight - min(max(volume, 0), p.Top)*plotHeight/p.Top
}

// plot draws the air in the band against time.
func (c *canvas) plot(p *Picture, top int) {
	c.grid(p, top)
	for i, a := range p.Air {
		if x1, x2 := p.x(a.At), p.x(p.airEnd(i)); x2 > x1 {
			c.sureness(p, a, top, x1, x2)
		}
	}
	if p.Maximum > 0 {
		y := p.y(top, p.Maximum)
		c.line(plotLeft, y, right, y, "stroke", ink, "stroke-width", 1, "stroke-dasharray", "10 3 2 3")
		c.text(right-4, y-5, small, "end", "most that the band bears")
	}
	c.steps(p, p.Air, top, p.happened(), "stroke", ink, "stroke-width", 4)
	c.ahead(p, top)
	c.rect(plotLeft, top, right-plotLeft, plotHeight, "fill", "none", "stroke", ink, "stroke-width", 1)
	c.levelLabels(p, top)
}

// happened is where what has happened ends.
func (p *Picture) happened() time.Time {
	if p.Now.IsZero() {
		return p.To
	}
	return p.Now
}

func (p *Picture) airEnd(i int) time.Time {
	if i+1 < len(p.Air) {
		return p.Air[i+1].At
	}
	return p.happened()
}

func (c *canvas) grid(p *Picture, top int) {
	c.text(left, top+16, small, "start", "Air in the band", "font-weight", "bold")
	c.text(left, top+36, small, "start", "mL, by the book")
	step := 300
	for p.Top/step > 6 {
		step += 200
	}
	for v := 0; v <= p.Top; v += step {
		y := p.y(top, v)
		c.line(plotLeft, y, right, y, "stroke", faint, "stroke-width", 1)
		c.text(plotLeft-6, y+5, small, "end", strconv.Itoa(v/100))
	}
}

// sureness fills the plot behind a level, so that what is not sure looks so.
func (c *canvas) sureness(p *Picture, a Air, top, x1, x2 int) {
	switch a.State {
	case Known:
		y := p.y(top, a.Volume)
		c.rect(x1, y, x2-x1, top+plotHeight-y, "fill", air)
	case Uncertain:
		c.rect(x1, top, x2-x1, plotHeight, "fill", "url(#hatch)")
	case Unknown:
		c.rect(x1, top, x2-x1, plotHeight, "fill", "url(#dots)", "stroke", grey, "stroke-width", 1)
	case None:
	}
}

// steps draws levels as a staircase. There is no line where the volume is not known; a
// fall or rise is drawn only between two volumes that are.
func (c *canvas) steps(p *Picture, levels []Air, top int, end time.Time, style ...any) {
	for i, a := range levels {
		if a.State == Unknown || a.State == None {
			continue
		}
		to := end
		if i+1 < len(levels) {
			to = levels[i+1].At
		}
		x1, x2, y := p.x(a.At), p.x(to), p.y(top, a.Volume)
		d := points("M", x1, y, "H", x2)
		if i+1 < len(levels) && levels[i+1].State <= Uncertain {
			d += points(" V", p.y(top, levels[i+1].Volume))
		}
		more := style
		if a.State == Uncertain {
			more = append(append([]any{}, style...), "stroke-dasharray", "9 6")
		}
		c.path(d, append([]any{"fill", "none"}, more...)...)
	}
}

// ahead draws the plan from now on.
func (c *canvas) ahead(p *Picture, top int) {
	if len(p.Ahead) == 0 {
		return
	}
	c.steps(p, p.Ahead, top, p.Ahead[len(p.Ahead)-1].At, "stroke", ink, "stroke-width", 2, "stroke-dasharray", "2 5")
	for _, a := range p.Ahead[1:] {
		c.element("circle", "cx", p.x(a.At), "cy", p.y(top, a.Volume), "r", 4, "fill", "#fff", "stroke", ink, "stroke-width", 1)
	}
}

// levelLabels writes the volumes that last long enough to be read, and what is not sure.
func (c *canvas) levelLabels(p *Picture, top int) {
	for i, a := range p.Air {
		x1, x2 := p.x(a.At), p.x(p.airEnd(i))
		switch a.State {
		case Known:
			if label := a.Label; x2-x1 >= width(label, normal)+7 {
				c.badge(x1+5, min(p.y(top, a.Volume)-7, top+plotHeight-7), label)
			}
		case Uncertain:
			c.band(top, x1, x2, "uncertain", "book: "+a.Label)
		case Unknown:
			c.band(top, x1, x2, "not known")
		case None:
		}
	}
}

// band says in the middle of a stretch what it is, as far as it fits.
func (c *canvas) band(top, x1, x2 int, lines ...string) {
	for i, words := range lines {
		w := width(words, normal) + 8
		if w > x2-x1 {
			continue
		}
		y := top + 40 + 24*i
		c.rect((x1+x2-w)/2, y-16, w, 22, "fill", "#fff")
		c.text((x1+x2)/2, y, normal, "middle", words, "font-weight", "bold")
	}
}

// badge is a text that stays legible on lines.
func (c *canvas) badge(x, y int, words string) {
	c.text(x, y, normal, "start", words, append(halo(), "font-weight", "bold")...)
}
