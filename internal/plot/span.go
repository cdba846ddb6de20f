package plot

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Use is what a tool is taken up by for a while.
type Use string

// The uses. Each is told from the others by its shape and not by its colour alone:
// a dashed frame, a full bar, a thin frame, crosses, a zigzag.
const (
	Promised Use = "promised"
	Out      Use = "out"
	Expected Use = "due back later" // out, as it is expected to go on
	Late     Use = "late"
	Barred   Use = "not to be lent" // in quarantine, lost or retired
)

var uses = []Use{Promised, Out, Expected, Late, Barred}

// Span is a stretch of a use, in days from the picture's first; a day is as long
// as its clock says. Its ends may lie outside the picture.
type Span struct {
	From, Until float64
	Use         Use
	Endangered  bool   // a promise that may not be kept
	Text        string // short, to stand within it where there is room
	Words       string // for who cannot see it
}

// span draws s within the band from top down to bottom.
func (c *canvas) span(x scale, s Span, top, bottom float64) {
	if !(s.Until > x.low && s.From < x.high) { // also when either is no number
		return
	}
	from, until := x.within(s.From), x.within(s.Until)
	if until-from < 4 { // what is short is still to be seen
		until = math.Min(from+4, x.to)
		from = until - 4
	}
	wide, high, middle := until-from, bottom-top, (top+bottom)/2
	switch s.Use {
	case Promised:
		c.rect("pale-b", from, top, wide, high)
		c.rect("b", from+1.5, top+1.5, wide-3, high-3)
	case Out:
		c.rect("bar-a", from, top, wide, high)
	case Expected:
		c.rect("pale-a", from, top, wide, high)
		c.rect("thin-a", from+1, top+1, wide-2, high-2)
	case Late:
		c.rect("pale-bad", from, top, wide, high)
		c.rect("bad solid", from+1.5, top+1.5, wide-3, high-3)
		step := high - 6
		for at := from + 3; at+step <= until-2; at += step * 1.6 {
			c.line("bad solid", at, top+3, at+step, bottom-3)
			c.line("bad solid", at, bottom-3, at+step, top+3)
		}
	case Barred:
		c.rect("cell", from, top, wide, high)
		points := []point{{from, bottom - 2}}
		for up := true; ; up = !up {
			next := points[len(points)-1].x + high/2
			if next > until {
				break
			}
			points = append(points, point{next, map[bool]float64{true: top + 2, false: bottom - 2}[up]})
		}
		c.path("ink", false, points...)
		c.line("ink", from+1, top, from+1, bottom)
	}
	if s.Endangered {
		c.mark(cross, "bad solid", (from+until)/2, middle, math.Min(6, high/2-2))
		return
	}
	if s.Text != "" && textWidth(s.Text, 14, false)+8 <= wide && s.Use != Late && s.Use != Barred {
		c.text("over", "middle", (from+until)/2, middle+5, s.Text)
	}
}

// spanKey explains the uses that are drawn, and no others.
func (c *canvas) spanKey(list []Span) {
	x := scale{0, 1, margin, margin + 34}
	endangered := false
	for _, u := range uses {
		for _, s := range list {
			endangered = endangered || s.Endangered
			if s.Use == u {
				c.legend(func(c *canvas, _, y float64) { c.span(x, Span{From: 0, Until: 1, Use: u}, y-9, y+9) }, string(u))
				break
			}
		}
	}
	if endangered {
		c.legend(func(c *canvas, _, y float64) {
			c.span(x, Span{From: 0, Until: 1, Use: Promised, Endangered: true}, y-9, y+9)
		}, "promised, but it may not be there")
	}
}

// today marks the moment that is now, from top down to bottom, where it is shown.
func (c *canvas) today(x scale, at, top, bottom float64) {
	if !finite(at) || !x.holds(at) {
		return
	}
	c.line("over-line", x.at(at), top, x.at(at), bottom)
	c.line("ink", x.at(at), top, x.at(at), bottom)
}

// todayTop tells which line that is, above it.
func (c *canvas) todayTop(x scale, at, y float64) {
	if !finite(at) || !x.holds(at) {
		return
	}
	half := textWidth("today", 14, true) / 2
	c.text("sub over", "middle", math.Min(math.Max(x.at(at), margin+half), width-margin-half), y, "today")
}

// said lists what spans tell in words, at most most of them.
func said(list []Span, most int) string {
	var out []string
	more := 0
	for _, s := range list {
		switch {
		case s.Words == "":
		case len(out) == most:
			more++
		default:
			out = append(out, s.Words)
		}
	}
	text := strings.Join(out, "; ")
	if more > 0 {
		text += fmt.Sprintf("; and %d more", more)
	}
	return text
}

// monthDay spells a date, given at midnight UTC, without its year.
func monthDay(t time.Time) string { return t.Format("2 Jan") }
