package plot

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// History is how something wears: what was measured, the line through it, and
// when a limit is reached.
type History struct {
	Title, Summary string
	Unit           string    // of what was measured
	UnitX          string    // of x; empty for days
	Zero           time.Time // the day that is x = 0, where x counts days
	Dated          bool
	Points         []Spot
	Lines          []Line  // one a segment
	Limit          float64 // NaN: none
	LimitText      string
	Levels         []Level   // further limits, each with its own words
	Crossing       float64   // where the line reaches the limit; NaN: nowhere
	Between        []Stretch // where it may
	CrossingText   string
	Starts         []Start
	Coverage       float64 // of the band and of Between
}

// Spot is one measurement; U is what its bar shows, about 95 %, 0 for none.
type Spot struct {
	X, Y, U float64
	Segment int
}

// Level is a limit among several.
type Level struct {
	Y    float64
	Text string
}

// Line is a line with its band, in order of x. Low and High are NaN where there is no
// band.
type Line struct{ X, Mean, Low, High []float64 }

// Stretch is a part of the x axis; its ends may be infinite.
type Stretch struct{ From, To float64 }

// Start is where a segment begins.
type Start struct {
	X    float64
	Text string
}

// SVG draws the history.
func (h History) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, h.Title)
	if h.Summary != "" {
		c.y += 4
		c.paragraph("", 14, h.Summary)
	}
	c.y += 6
	c.text("dim", "start", margin, c.y+14, h.Unit)
	c.y += 20
	x, y := h.scales()
	p := c.newPanel(x, y, 230)
	h.bands(c, p)
	for i, start := range h.Starts {
		if p.x.holds(start.X) {
			at := p.x.at(start.X)
			c.line("step", at, p.top, at, p.bottom)
			c.text("sub over", "middle", math.Min(math.Max(at, p.x.from+6), p.x.to-6), p.top+12, fmt.Sprint(i+1))
		}
	}
	if finite(h.Limit) {
		c.line("bad", p.x.from, p.y.within(h.Limit), p.x.to, p.y.within(h.Limit))
	}
	for _, l := range h.Levels {
		if finite(l.Y) && p.y.holds(l.Y) {
			c.line("bad", p.x.from, p.y.at(l.Y), p.x.to, p.y.at(l.Y))
		}
	}
	// Of few points each is looked at; many are a cloud behind their line.
	line := func() {
		for _, l := range h.Lines {
			c.polyline("a", p, l.X, l.Mean)
		}
	}
	if len(h.Points) <= fewSpots {
		line()
		h.spots(c, p)
	} else {
		h.spots(c, p)
		line()
	}
	h.crossing(c, p)
	c.foot(p, func(most int) []tick {
		if h.Dated {
			return p.x.days(h.Zero, most)
		}
		return p.x.ticks(most)
	})
	if h.UnitX != "" {
		c.text("dim", "end", p.x.to, c.y+14, h.UnitX)
		c.y += 18
	}
	h.key(c)
	return c.svg(s, h.Title, h.describe())
}

// scales cover what was measured, the line, the limit and where it is reached. A band
// that grows beyond bounds is cut, and so is a crossing that is very far away.
func (h History) scales() (x, y scale) {
	var xs, ys []float64
	for _, p := range h.Points {
		xs, ys = append(xs, p.X), append(ys, p.Y-p.U, p.Y+p.U)
	}
	for _, l := range h.Lines {
		xs, ys = append(xs, l.X...), append(ys, l.Mean...)
	}
	ys = append(ys, h.Limit)
	for _, l := range h.Levels {
		ys = append(ys, l.Y)
	}
	span := newScale(xs, 0, 0, 1)
	far := 2 * (span.high - span.low)
	near := func(v float64) bool { return finite(v) && len(xs) > 0 && v > span.low-far && v < span.high+far }
	added := []float64{h.Crossing}
	for _, b := range h.Between {
		added = append(added, b.From, b.To)
		if last := math.Max(b.From, h.Crossing); !near(b.To) && b.To > b.From {
			if !finite(h.Crossing) || !near(h.Crossing) {
				last = b.From
			}
			added = append(added, last+0.2*(span.high-span.low)) // room for the arrow
		}
	}
	for _, v := range added {
		if near(v) {
			xs = append(xs, v)
		}
	}
	for _, start := range h.Starts {
		xs = append(xs, start.X)
	}
	room := newScale(ys, 0.4, 0, 1)
	for _, l := range h.Lines {
		for _, v := range append(append([]float64{}, l.Low...), l.High...) {
			if room.holds(v) {
				ys = append(ys, v)
			}
		}
	}
	return newScale(xs, 0.04, 0, 1), newScale(ys, 0.06, 0, 1)
}

func (h History) bands(c *canvas, p panel) {
	for _, l := range h.Lines {
		var up, down []point
		for i := range l.X {
			if i < len(l.Low) && i < len(l.High) && finite(l.X[i]) && finite(l.Low[i]) && finite(l.High[i]) {
				at := p.x.within(l.X[i])
				up, down = append(up, point{at, p.y.within(l.High[i])}), append(down, point{at, p.y.within(l.Low[i])})
			}
		}
		for i := len(down) - 1; i >= 0; i-- {
			up = append(up, down[i])
		}
		c.path("pale-a", true, up...)
	}
}

const fewSpots = 25

// shapes of successive segments differ.
var spotShapes = []shape{disc, square, triangleUp}

func (h History) spots(c *canvas, p panel) {
	r := 6.0
	switch {
	case len(h.Points) > 250:
		r = 2
	case len(h.Points) > fewSpots:
		r = 4
	}
	for _, s := range h.Points {
		if !finite(s.X) || !finite(s.Y) || !finite(s.U) {
			continue
		}
		at, y := p.x.within(s.X), p.y.within(s.Y)
		if s.U > 0 && len(h.Points) <= 250 {
			low, high := p.y.within(s.Y-s.U), p.y.within(s.Y+s.U)
			if len(h.Points) > fewSpots {
				c.line("faint", at, low, at, high)
			} else {
				c.line("ink", at, low, at, high)
				c.line("ink", at-5, low, at+5, low)
				c.line("ink", at-5, high, at+5, high)
			}
		}
		c.mark(spotShapes[max(0, s.Segment)%len(spotShapes)], "mark-ink", at, y, r)
	}
}

// crossing draws where the limit is reached on the limit itself, with arrows where
// that has no end within the picture.
func (h History) crossing(c *canvas, p panel) {
	if !finite(h.Limit) {
		return
	}
	y := p.y.within(h.Limit)
	for _, b := range h.Between {
		if math.IsNaN(b.From) || math.IsNaN(b.To) || b.From > p.x.high || b.To < p.x.low {
			continue
		}
		from, to := p.x.within(math.Max(b.From, p.x.low)), p.x.within(math.Min(b.To, p.x.high))
		c.line("b solid thick", from, y, to, y)
		if b.To > p.x.high {
			c.path("mark-b", true, point{to + 2, y}, point{to - 12, y - 9}, point{to - 12, y + 9})
		} else {
			c.line("b solid", to, y-8, to, y+8)
		}
		if b.From < p.x.low {
			c.path("mark-b", true, point{from - 2, y}, point{from + 12, y - 9}, point{from + 12, y + 9})
		} else {
			c.line("b solid", from, y-8, from, y+8)
		}
	}
	if finite(h.Crossing) && p.x.holds(h.Crossing) {
		c.mark(diamond, "open", p.x.at(h.Crossing), y, 6)
	}
}

func (h History) key(c *canvas) {
	c.y += 6
	if len(h.Points) > 0 {
		text := "measured"
		for _, p := range h.Points {
			if p.U > 0 {
				text = "measured, with its expanded uncertainty"
			}
		}
		c.legend(markSample(disc, "mark-ink"), text)
	}
	if len(h.Lines) > 0 {
		c.legend(lineSample("a"), "the line through it")
		banded := false
		for _, l := range h.Lines {
			for i := range min(len(l.Low), len(l.High)) {
				banded = banded || finite(l.Low[i]) && finite(l.High[i])
			}
		}
		if banded {
			c.legend(bandSample("pale-a"), "where the line may lie, "+Percent(h.Coverage)+" %")
		}
	}
	if finite(h.Limit) {
		c.legend(lineSample("bad"), "limit "+h.LimitText)
	}
	for _, l := range h.Levels {
		c.legend(lineSample("bad"), l.Text)
	}
	if h.CrossingText != "" {
		c.legend(func(c *canvas, x, y float64) {
			c.line("b solid thick", x, y, x+34, y)
			c.mark(diamond, "open", x+17, y, 6)
		}, h.CrossingText)
	}
	for i, start := range h.Starts {
		c.legend(func(c *canvas, x, y float64) {
			c.line("step", x+17, y-9, x+17, y+9)
			c.text("sub over", "middle", x+17, y+5, fmt.Sprint(i+1))
		}, start.Text)
	}
}

func (h History) describe() string {
	var out strings.Builder
	sentence := func(format string, args ...any) { fmt.Fprintf(&out, format+" ", args...) }
	if h.Summary != "" {
		sentence("%s", h.Summary)
	}
	if n := len(h.Points); n > 0 {
		sentence("%s, the first %s %s at %s, the last %s %s at %s.", count(n, "measurement"), plain(h.Points[0].Y), h.Unit, h.Place(h.Points[0].X),
			plain(h.Points[n-1].Y), h.Unit, h.Place(h.Points[n-1].X))
	} else {
		sentence("No measurements.")
	}
	for i, l := range h.Lines {
		if n := len(l.X); n > 1 && finite(l.Mean[0]) && finite(l.Mean[n-1]) {
			sentence("Line %d goes from %s %s at %s to %s %s at %s.", i+1, plain(l.Mean[0]), h.Unit, h.Place(l.X[0]), plain(l.Mean[n-1]), h.Unit, h.Place(l.X[n-1]))
		}
	}
	if finite(h.Limit) {
		sentence("Limit: %s.", h.LimitText)
	}
	for _, l := range h.Levels {
		sentence("%s.", l.Text)
	}
	if h.CrossingText != "" {
		sentence("%s.", strings.TrimSuffix(h.CrossingText, "."))
	}
	for i, start := range h.Starts {
		sentence("%d: %s.", i+1, start.Text)
	}
	return strings.TrimSpace(out.String())
}

// Place tells an x in words: a day, or a number with its unit.
func (h History) Place(x float64) string {
	if h.Dated && math.Abs(x) < 90_000 {
		return h.Zero.Add(time.Duration(x * 24 * float64(time.Hour))).Format(time.DateOnly)
	}
	if h.UnitX == "x" {
		return "x = " + strconv.FormatFloat(x, 'g', 5, 64)
	}
	return strings.TrimSpace(strconv.FormatFloat(x, 'f', 0, 64) + " " + h.UnitX)
}
