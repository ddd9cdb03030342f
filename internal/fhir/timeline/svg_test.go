package timeline

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func at(minute int) time.Time { return time.Date(2026, 3, 2, 10, minute, 0, 0, time.UTC) }

func simple() Picture {
	return Picture{
		ID: "p1", Title: "Band & <wrist>", About: "What it shows.", Caution: "Decide yourselves.", From: at(0), To: at(120), Top: 1800,
		Air: []Air{
			{At: at(0), Volume: 1500, Label: "15"},
			{At: at(30), Volume: 1200, State: Uncertain, Label: "12"},
			{At: at(60), State: Unknown, Label: "0"},
			{At: at(90), Volume: 300, Label: "3"},
			{At: at(100), State: None},
		},
		Lanes: []Lane{{Name: "Site", Empty: "none charted"}}, ListTitle: "In words",
		Items: []Item{{At: at(0), Words: "Start"}, {At: at(30), Words: "<script>"}},
	}
}

// paths gives the d of every path below the plot's line style.
func paths(t *testing.T, svg []byte) []map[string]string {
	var list []map[string]string
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		}
		require.NoError(t, err, "the picture is well-formed, as encoding/xml reads XML 1.0")
		if e, ok := token.(xml.StartElement); ok {
			x := map[string]string{"": e.Name.Local}
			for _, a := range e.Attr {
				x[a.Name.Local] = a.Value
			}
			list = append(list, x)
		}
	}
}

// TestNoLineWhereNothingIsKnown: the line of the volume covers what is known, is broken
// where it is in doubt, and leaves out what nobody knows and a wrist without a band; no stroke
// joins the two sides of a gap.
func TestNoLineWhereNothingIsKnown(t *testing.T) {
	p := simple()
	var lines [][2]int
	broken := 0
	for _, e := range paths(t, p.SVG()) {
		if e[""] != "path" || e["stroke-width"] != "4" {
			continue
		}
		var x1, y, x2 int
		_, err := fmt.Sscanf(e["d"], "M %d %d H %d", &x1, &y, &x2)
		require.NoError(t, err, e["d"])
		lines = append(lines, [2]int{x1, x2})
		if e["stroke-dasharray"] != "" {
			broken++
			require.Equal(t, p.x(at(30)), x1)
			require.NotContains(t, e["d"], "V", "it does not fall to the other side of the gap")
		}
	}
	require.Equal(t, [][2]int{{p.x(at(0)), p.x(at(30))}, {p.x(at(30)), p.x(at(60))}, {p.x(at(90)), p.x(at(100))}}, lines)
	require.Equal(t, 1, broken)
	require.Contains(t, string(p.SVG()), "not known")
	require.Contains(t, string(p.SVG()), "uncertain")
}

// TestTextIsText: what is put in is never markup, and what XML forbids is left out.
func TestTextIsText(t *testing.T) {
	p := simple()
	p.Items[0].Words = "a\x00b\ufffe \xff"
	svg := string(p.SVG())
	require.Contains(t, svg, "&lt;script&gt;")
	require.NotContains(t, svg, "<script")
	require.Contains(t, svg, "Band &amp; &lt;wrist&gt;")
	paths(t, []byte(svg))
}

// TestEmptyLanesSaySo: nothing would be taken for not drawn.
func TestEmptyLanesSaySo(t *testing.T) {
	require.Contains(t, string(simple().SVG()), "none charted")
}

// TestAxes: full times of the unit above, UTC below, the day where it changes.
func TestAxes(t *testing.T) {
	p := simple()
	p.Zone, p.From, p.To = time.FixedZone("", 2*3600), at(12*60), at(13*60) // midnight there
	svg := string(p.SVG())
	for _, words := range []string{"UTC+02:00", ">00:30<", ">3 Mar<", ">22:30<", ">2 Mar<"} {
		require.Contains(t, svg, words)
	}
	utc := simple()
	require.NotContains(t, string(utc.SVG()), "UTC+")
	zone, err := time.LoadLocation("Europe/Oslo")
	require.NoError(t, err)
	p.Zone, p.From = zone, time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC) // an hour is left out at 01:00 UTC
	p.To = p.From.Add(2 * time.Hour)
	require.Contains(t, string(p.SVG()), "UTC+01:00, then +02:00")
	require.NotContains(t, string(p.SVG()), ">02:15<", "there is no such time on that day")
}

// TestNothingTouches: whatever is in a lane and however close, no mark, bar or label lies on
// another, and none leaves the page.
func TestNothingTouches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := simple()
		var l Lane
		words := rapid.SampledFrom([]string{"", "3", "−1.5", "hold by order", "haematoma, 2.5 cm"})
		for range rapid.IntRange(0, 12).Draw(t, "marks") {
			l.Marks = append(l.Marks, Mark{at(rapid.IntRange(0, 120).Draw(t, "at")), Drop, words.Draw(t, "label")})
		}
		for range rapid.IntRange(0, 8).Draw(t, "bars") {
			from := rapid.IntRange(0, 120).Draw(t, "from")
			l.Bars = append(l.Bars, Bar{at(from), at(rapid.IntRange(from, 130).Draw(t, "to")), Hollow, words.Draw(t, "label")})
		}
		all, rows := p.place(l)
		for i, a := range all {
			require.Less(t, a.row, rows)
			require.True(t, a.from >= left && a.to <= right+reach, "%+v", a)
			for _, b := range all[:i] {
				require.False(t, a.row == b.row && a.from < b.to && b.from < a.to, "%+v\n%+v", a, b)
			}
		}
	})
}

// TestSmallestText: 8 points on paper, the least that is called legible for printed patient
// records (common practice).
func TestSmallestText(t *testing.T) {
	const pointsInMillimetre = 72 / 25.4
	for _, e := range paths(t, simple().SVG()) {
		if size, ok := e["font-size"]; ok {
			units, err := strconv.Atoi(size)
			require.NoError(t, err)
			require.GreaterOrEqual(t, float64(units)*pageMillimetres/pageWidth*pointsInMillimetre, 8.0, e)
		}
	}
}

// TestEveryShapeDiffers: in black and white too.
func TestEveryShapeDiffers(t *testing.T) {
	seen := map[string]bool{}
	look := func(draw func(c *canvas)) {
		var c canvas
		draw(&c)
		drawn := strings.NewReplacer(blood, ink, air, "#fff").Replace(c.b.String())
		require.NotEmpty(t, drawn)
		require.False(t, seen[drawn], drawn)
		seen[drawn] = true
	}
	for s := Down; s <= Pennant; s++ {
		look(func(c *canvas) { c.shape(s, 100, 100) })
	}
	for q := Hollow; q <= Whisker; q++ {
		look(func(c *canvas) { c.bar(q, 100, 100, 40) })
	}
	require.Len(t, seen, 24)
}
