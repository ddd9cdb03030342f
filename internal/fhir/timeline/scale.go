package timeline

import (
	"fmt"
	"time"
)

// The page, in units.
const (
	pageWidth = 1000
	left      = 20
	right     = 980
	plotLeft  = 165 // beside it stand the names of lanes and axes
	// pageMillimetres is how wide the picture is on paper: A4 upright within its margins.
	pageMillimetres = 190
)

// x is where an instant stands; what lies outside stands at the edge.
func (p *Picture) x(t time.Time) int {
	span := p.To.Sub(p.From)
	at := min(max(t.Sub(p.From), 0), span)
	return plotLeft + int(at*(right-plotLeft)/span)
}

// ticks are full times within the picture, far enough apart to be written.
func (p *Picture) ticks() []time.Time {
	const apart = 62 // units
	var step time.Duration
	for _, step = range []time.Duration{
		5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour,
		12 * time.Hour, 24 * time.Hour, 48 * time.Hour, 7 * 24 * time.Hour,
	} {
		if time.Duration(right-plotLeft)*step/apart >= p.To.Sub(p.From) {
			break
		}
	}
	y, m, d := p.From.In(p.zone()).Date()
	t := time.Date(y, m, d, 0, 0, 0, 0, p.zone())
	var all []time.Time
	for ; !t.After(p.To); t = t.Add(step) {
		if !t.Before(p.From) {
			all = append(all, t)
		}
	}
	return all
}

func (p *Picture) zone() *time.Location {
	if p.Zone == nil {
		return time.UTC
	}
	return p.Zone
}

// offset names the zone of the upper axis, and its change within the picture.
func (p *Picture) offset() string {
	from, to := p.From.In(p.zone()).Format("-07:00"), p.To.In(p.zone()).Format("-07:00")
	switch {
	case from == to && from == "+00:00":
		return "UTC"
	case from == to:
		return "UTC" + from
	}
	return fmt.Sprintf("UTC%s, then %s", from, to)
}

// axis writes the times of the ticks, and the day where it changes.
func (c *canvas) axis(p *Picture, y int, name string, zone *time.Location) {
	c.text(left, y, small, "start", name)
	day := ""
	for _, t := range p.ticks() {
		local := t.In(zone)
		words := local.Format("15:04")
		c.text(p.x(t), y, small, "middle", words)
		if d := local.Format("2 Jan"); d != day {
			day = d
			c.text(p.x(t), y+17, small, "middle", d, "fill", grey)
		}
	}
}
