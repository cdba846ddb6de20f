package plot

import (
	"fmt"
	"math"
	"strings"
)

// Ratios are how many times as much each of several things is as a reference, with intervals, on one
// scale of doublings.
type Ratios struct {
	Title, Summary string
	Groups         []RatioGroup
	Coverage       float64
}

// RatioGroup has one reference.
type RatioGroup struct {
	Name string
	Rows []RatioRow
}

// RatioRow is one ratio; Low, Ratio and High are greater than zero. Told is one that differs from the reference for sure.
type RatioRow struct {
	Name             string
	Ratio, Low, High float64
	Told             bool
}

// SVG draws the ratios.
func (r Ratios) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, r.Title)
	if r.Summary != "" {
		c.y += 4
		c.paragraph("", 14, r.Summary)
	}
	c.y += 8
	values := []float64{-1, 1}
	for _, g := range r.Groups {
		for _, row := range g.Rows {
			values = append(values, math.Log2(row.Low), math.Log2(row.High))
		}
	}
	x := newScale(values, 0.04, margin+8, width-margin-8)
	x.low, x.high = math.Max(x.low, -10), math.Min(x.high, 10)
	top := c.y
	for _, g := range r.Groups {
		c.y += 4
		c.paragraph("sub", 14, g.Name)
		for _, row := range g.Rows {
			told := fmt.Sprintf("%.2g times", row.Ratio)
			c.text("dim", "end", width-margin, c.y+16, told)
			c.text("", "start", margin, c.y+16, shorten(row.Name, 14, false, inner-textWidth(told, 14, false)-10))
			c.y += 30
			if x.holds(0) {
				c.line("step", x.at(0), c.y-9, x.at(0), c.y+12) // not through the names above
			}
			low, middle, high := x.within(math.Log2(row.Low)), x.within(math.Log2(row.Ratio)), x.within(math.Log2(row.High))
			c.line("ink", low, c.y, high, c.y)
			c.line("ink", low, c.y-5, low, c.y+5)
			c.line("ink", high, c.y-5, high, c.y+5)
			kind, class := disc, "open"
			if row.Told {
				kind, class = diamond, "mark-ink"
			}
			c.mark(kind, class, middle, c.y, 6)
			c.y += 12
		}
	}
	c.foot(panel{x: x, top: top, bottom: c.y}, func(int) []tick { return doublings(x) })
	c.y += 6
	c.legend(markSample(diamond, "mark-ink"), "differs from the reference")
	c.legend(markSample(disc, "open"), "may be no different; a bar is "+Percent(r.Coverage)+" %")
	return c.svg(s, r.Title, r.describe())
}

// doublings are ticks at powers of two, so many that their names do not touch.
func doublings(x scale) []tick {
	var out []tick
	step := math.Max(1, math.Ceil((x.high-x.low)/6))
	for k := math.Ceil(x.low/step) * step; k <= x.high; k += step {
		name := fmt.Sprintf("%g", math.Exp2(k))
		if k < 0 {
			name = fmt.Sprintf("1/%g", math.Exp2(-k))
		}
		out = append(out, tick{value: k, text: name})
	}
	return out
}

func (r Ratios) describe() string {
	var out strings.Builder
	if r.Summary != "" {
		out.WriteString(r.Summary + " ")
	}
	if len(r.Groups) == 0 {
		out.WriteString("There is nothing to compare.")
	}
	for _, g := range r.Groups {
		fmt.Fprintf(&out, "%s: ", g.Name)
		for _, row := range g.Rows {
			fmt.Fprintf(&out, "%s %.2g times, from %.2g to %.2g. ", row.Name, row.Ratio, row.Low, row.High)
		}
	}
	return strings.TrimSpace(out.String())
}
