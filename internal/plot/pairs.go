package plot

import (
	"fmt"
	"math"
	"strings"
)

// Pairs compares two amounts of each of a few things by bars, a row for each.
type Pairs struct {
	Title, Summary string
	First, Second  string // what the two are
	Unit           string // of the axis
	Rows           []Pair
	More           string // what is not shown; "" for nothing
}

// Pair is one row: its two amounts, and both as they are told.
type Pair struct {
	Name            string
	First, Second   float64
	FirstSaid, Said string
}

// SVG draws the bars.
func (b Pairs) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, b.Title)
	if b.Summary != "" {
		c.y += 4
		c.paragraph("", 14, b.Summary)
	}
	c.y += 8
	c.legend(bandSample("bar-a"), b.First)
	c.legend(bandSample("pale-b"), b.Second)
	values := []float64{0}
	for _, r := range b.Rows {
		values = append(values, r.First, r.Second)
	}
	x := newScale(values, 0, margin, width-margin)
	c.y += 8
	top := c.y
	const thick, apart = 12.0, 12.0
	for _, r := range b.Rows {
		for _, l := range wrap(r.Name+": "+r.FirstSaid+", "+r.Said, 14, false, inner) {
			c.y += 18
			c.text("", "start", margin, c.y-4, l)
		}
		nought := c.y
		for i, v := range []float64{r.First, r.Second} {
			if finite(v) {
				from, to := x.at(math.Min(0, v)), x.at(math.Max(0, v))
				c.rect([]string{"bar-a", "pale-b"}[i], from, c.y, to-from, thick)
				if i == 1 {
					c.path("faint", true, point{from, c.y}, point{to, c.y}, point{to, c.y + thick}, point{from, c.y + thick})
				}
			}
			c.y += thick + 2
		}
		c.line("axis", x.at(0), nought-2, x.at(0), c.y) // beside the bars only, or it would cross the names
		c.y += apart
	}
	c.foot(panel{x: x, top: top, bottom: c.y}, x.ticks)
	if b.Unit != "" {
		c.y += 16
		c.text("dim", "end", width-margin, c.y, b.Unit)
	}
	if b.More != "" {
		c.y += 6
		c.paragraph("dim", 14, b.More)
	}
	return c.svg(s, b.Title, b.describe())
}

func (b Pairs) describe() string {
	var out strings.Builder
	if text := strings.TrimSuffix(strings.TrimSpace(b.Summary), "."); text != "" {
		out.WriteString(text + ". ")
	}
	for _, r := range b.Rows {
		fmt.Fprintf(&out, "%s: %s %s, %s %s. ", r.Name, b.First, r.FirstSaid, b.Second, r.Said)
	}
	if len(b.Rows) == 0 {
		out.WriteString("There is nothing to show. ")
	}
	out.WriteString(b.More)
	return strings.TrimSpace(out.String())
}
