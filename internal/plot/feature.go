package plot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Feature is what is known of a bore or a pin: its sizes as laws, the readings that
// they rest on, and the ladder it may be brought to. Sizes are diameters in Unit.
type Feature struct {
	Title    string // which feature, of what
	Summary  string // what is known, in a sentence
	Unit     string
	Sizes    []Size // at most three
	Readings []Reading
	Steps    []Step
}

// Size is the law of one size.
type Size struct {
	Name, Text string // “Passing size”, “9.121 ± 0.006 mm”
	Note       string // what that is, in a few words; may be empty
	Median     float64
	Low, High  float64               // the central 95 %
	CDF        func(float64) float64 // nil: only the interval is drawn
}

// Kind is what a reading says.
type Kind string

// The kinds of readings: a value, or a bound by a gauge.
const (
	Measured Kind = "measured"
	AtLeast  Kind = "at least" // the whole is at least as large as the gauge
	AtMost   Kind = "at most"  // some place is no larger than the gauge
	Starts   Kind = "starts"   // a mouth takes the gauge, the whole does not
)

// Reading is one reading as it is told beside its mark.
type Reading struct {
	Kind  Kind
	Text  string  // “go 9.110 mm, end a”
	Value float64 // measured, or of the gauge
	U     float64 // expanded, about 95 %; 0 where it is not known
}

// Step is a step of the ladder.
type Step struct {
	Name        string
	Pin, Reamer float64 // NaN where there is none
}

const (
	ridge    = 46.0 // height of a law
	rowOf    = 40.0 // height of a reading
	mostRows = 14   // readings that are told one by one
	mostStep = 5    // steps of the ladder
)

// SVG draws the feature.
func (f Feature) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, f.Title)
	c.y += 2
	x, steps := f.scale()
	shown := f.sorted()
	// The grid lies below everything, but how far down it goes is known at the end.
	body := &canvas{y: c.y}
	for i, size := range f.Sizes {
		body.ridge(x, size, i)
	}
	body.readings(x, shown, f.Unit)
	body.ladder(x, steps, f.Unit)
	bottom := body.y
	for _, t := range x.fitting() {
		c.line("grid", x.at(t.value), c.y, x.at(t.value), bottom)
	}
	for _, step := range steps {
		if x.holds(step.Reamer) {
			c.line("step", x.at(step.Reamer), c.y, x.at(step.Reamer), bottom)
		}
	}
	c.out.WriteString(body.out.String())
	c.y = bottom
	c.axis(x, f.Unit)
	return c.svg(s, f.Title, f.describe(steps))
}

// scale covers the laws and the readings, and the steps that are near enough not
// to squeeze them.
func (f Feature) scale() (scale, []Step) {
	var values []float64
	for _, s := range f.Sizes {
		values = append(values, s.Low, s.High)
	}
	for _, r := range f.Readings {
		values = append(values, r.Value-r.U, r.Value+r.U)
	}
	near := newScale(values, 0.75, 0, 1)
	var steps []Step
	for _, s := range f.Steps {
		if near.holds(s.Pin) || near.holds(s.Reamer) {
			steps = append(steps, s)
		}
	}
	steps = f.nearest(steps)
	for _, s := range steps {
		for _, v := range []float64{s.Pin, s.Reamer} {
			if near.holds(v) {
				values = append(values, v)
			}
		}
	}
	return newScale(values, 0.09, margin, width-margin), steps
}

// nearest are the most steps that are nearest to the sizes, in their order.
func (f Feature) nearest(steps []Step) []Step {
	if len(steps) <= mostStep || len(f.Sizes) == 0 {
		return steps[:min(len(steps), mostStep)]
	}
	middle := f.Sizes[len(f.Sizes)-1].Median
	far := func(s Step) float64 {
		if finite(s.Reamer) {
			return math.Abs(s.Reamer - middle)
		}
		return math.Abs(s.Pin - middle)
	}
	by := slices.Clone(steps)
	slices.SortStableFunc(by, func(a, b Step) int { return cmp.Compare(far(a), far(b)) })
	limit := far(by[mostStep-1])
	kept := slices.DeleteFunc(slices.Clone(steps), func(s Step) bool { return !(far(s) <= limit) })
	return kept[:min(len(kept), mostStep)]
}

// sorted are the readings by what they say and by size, so that bounds from below
// and from above stand as a staircase towards each other.
func (f Feature) sorted() []Reading {
	list := slices.DeleteFunc(slices.Clone(f.Readings), func(r Reading) bool { return !finite(r.Value) || !finite(r.U) })
	order := map[Kind]int{AtLeast: 0, Starts: 1, AtMost: 1, Measured: 2}
	slices.SortStableFunc(list, func(a, b Reading) int {
		if order[a.Kind] != order[b.Kind] {
			return order[a.Kind] - order[b.Kind]
		}
		return cmp.Compare(a.Value, b.Value)
	})
	return list
}

var series = []string{"a", "b", "c"}

// ridge draws one law with its text above it and its interval below. Its height
// is its own: it tells which sizes are likelier than others, and no more.
func (c *canvas) ridge(x scale, s Size, i int) {
	letter := series[min(i, len(series)-1)]
	c.y += 8
	name := s.Name
	if s.Note != "" {
		name += ": " + s.Note
	}
	c.paragraph("dim over", 14, name)
	c.paragraph("big over word-"+letter, 16, s.Text)
	c.y += 6
	base := c.y + ridge
	if s.CDF != nil && finite(s.Low) && finite(s.High) {
		const cell = 2.0
		var heights []float64
		highest := 0.0
		perUnit := (x.high - x.low) / (x.to - x.from)
		for at := x.from; at <= x.to; at += cell {
			v := x.low + (at-x.from)*perUnit
			h := s.CDF(v+cell*perUnit) - s.CDF(v-cell*perUnit)
			if !(h > 0) {
				h = 0
			}
			heights = append(heights, h)
			highest = math.Max(highest, h)
		}
		if highest > 0 {
			first, last := 0, len(heights)-1
			for first < last && heights[first+1] < highest/400 {
				first++
			}
			for last > first && heights[last-1] < highest/400 {
				last--
			}
			var top []point
			for k := first; k <= last; k++ {
				top = append(top, point{x.from + float64(k)*cell, base - heights[k]/highest*ridge})
			}
			area := append([]point{{top[0].x, base}}, top...)
			area = append(area, point{top[len(top)-1].x, base})
			c.path("pale-"+letter, true, area...)
			c.path(letter, false, top...)
		}
	} else {
		base = c.y + 14
	}
	if finite(s.Low) && finite(s.High) {
		c.line(letter+" solid thick", x.within(s.Low), base+7, x.within(s.High), base+7)
	}
	if finite(s.Median) && x.holds(s.Median) {
		c.mark([]shape{disc, diamond, square}[min(i, 2)], "open", x.at(s.Median), base+7, 6)
	}
	c.y = base + 16
}

// readings draws each reading below its text: a value with its doubt as a bar, a
// bound as an arrow to where the size must lie.
func (c *canvas) readings(x scale, list []Reading, unit string) {
	c.y += 12
	if len(list) == 0 {
		c.paragraph("sub over", 14, "No readings")
		return
	}
	c.paragraph("sub over", 14, "Readings")
	if len(list) > mostRows {
		list = c.crowd(x, list, unit)
	}
	for _, r := range list {
		c.text("over", "start", margin, c.y+16, shorten(r.Text, 14, false, inner))
		c.reading(x, r, c.y+29)
		c.y += rowOf
	}
}

func (c *canvas) reading(x scale, r Reading, y float64) {
	at := x.within(r.Value)
	reach := 0.3 * (x.to - x.from)
	switch r.Kind {
	case AtLeast:
		c.arrow("ink", "mark-ink", at, math.Min(at+reach, x.to), y)
		c.line("ink", at, y-8, at, y+8)
	case AtMost:
		c.arrow("ink", "mark-ink", at, math.Max(at-reach, x.from), y)
		c.line("ink", at, y-8, at, y+8)
	case Starts:
		c.arrow("ink", "mark-ink", at, math.Max(at-reach, x.from), y)
		c.mark(diamond, "open", at, y, 6)
	default:
		if r.U > 0 {
			low, high := x.within(r.Value-r.U), x.within(r.Value+r.U)
			c.line("ink", low, y, high, y)
			c.line("ink", low, y-6, low, y+6)
			c.line("ink", high, y-6, high, y+6)
		}
		c.mark(disc, "mark-ink", at, y, 6.5)
	}
}

// crowd draws the measured readings of a long list as dots that are heaped where
// they fall together, and returns the gauged ones, of which equal ones are told
// once with their number.
func (c *canvas) crowd(x scale, list []Reading, unit string) []Reading {
	const cell, high = 8.0, 64.0
	heaps, tallest, measured := map[int]int{}, 0, 0
	var rest []Reading
	times := map[string]int{}
	for _, r := range list {
		if r.Kind == Measured {
			k := int(math.Round((x.within(r.Value) - x.from) / cell))
			heaps[k]++
			tallest, measured = max(tallest, heaps[k]), measured+1
			continue
		}
		key := fmt.Sprintf("%s %v", r.Kind, r.Value)
		if times[key]++; times[key] == 1 {
			rest = append(rest, r)
		}
	}
	for i, r := range rest {
		if n := times[fmt.Sprintf("%s %v", r.Kind, r.Value)]; n > 1 {
			rest[i].Text = fmt.Sprintf("%d × %s", n, r.Text)
		}
	}
	said := len(rest)
	rest = tightest(rest)
	if less := said - len(rest); less > 0 {
		c.text("dim over", "start", margin, c.y+16, count(less, "bound")+" that say less left out")
		c.y += 22
	}
	if measured > 0 {
		c.text("over", "start", margin, c.y+16, fmt.Sprintf("%d measured", measured))
		c.y += 20 + high
		rise := math.Min(cell, high/float64(max(tallest, 1)))
		for k := 0; k <= int((x.to-x.from)/cell)+1; k++ {
			for n := range heaps[k] {
				if rise >= 4 {
					c.mark(disc, "mark-ink", x.from+float64(k)*cell, c.y-5-float64(n)*rise, 4.5)
				}
			}
			if n := heaps[k]; n > 0 && rise < 4 { // too many for dots: a bar
				c.rect("mark-ink", x.from+float64(k)*cell-cell/2, c.y-float64(n)*rise, cell, float64(n)*rise)
			}
		}
		c.y += 6
	}
	return rest
}

// tightest are the bounds that say most, of a sorted list: the largest from below
// and the smallest from above.
func tightest(bounds []Reading) []Reading {
	below := slices.IndexFunc(bounds, func(r Reading) bool { return r.Kind != AtLeast })
	if below < 0 {
		below = len(bounds)
	}
	above := len(bounds) - below
	lower := min(below, max(mostRows/2, mostRows-above))
	upper := min(above, mostRows-lower)
	return slices.Concat(bounds[below-lower:below], bounds[below:below+upper])
}

// ladder names the steps in rows, so that their texts do not overlap.
func (c *canvas) ladder(x scale, steps []Step, unit string) {
	c.y += 14
	if len(steps) == 0 {
		return
	}
	c.paragraph("sub over", 14, "Ladder")
	type label struct {
		at     float64
		text   string
		reamer bool
	}
	var labels []label
	for _, s := range steps {
		if x.holds(s.Pin) {
			labels = append(labels, label{x.at(s.Pin), s.Name + " pin", false})
		}
		if x.holds(s.Reamer) {
			labels = append(labels, label{x.at(s.Reamer), s.Name + " reamer", true})
		}
	}
	var wants []want
	for _, l := range labels {
		wants = append(wants, want{at: l.at, wide: textWidth(l.text, 14, false) + 22})
	}
	rows, places := pack(wants, margin, width-margin)
	for i, l := range labels {
		y := c.y + 24*float64(places[i].row) + 14
		shape, class := square, "mark-c"
		if l.reamer {
			shape, class = triangleDown, "mark-b"
		}
		c.mark(shape, class, l.at, y, 6.5)
		if places[i].right {
			c.text("over", "start", l.at+12, y+5, l.text)
		} else {
			c.text("over", "end", l.at-12, y+5, l.text)
		}
	}
	c.y += 24*float64(rows) + 4
}

// axis draws the scale below everything.
func (c *canvas) axis(x scale, unit string) {
	c.line("axis", x.from, c.y, x.to, c.y)
	for _, t := range x.fitting() {
		at := x.at(t.value)
		c.line("axis", at, c.y, at, c.y+6)
		half := textWidth(t.text, 14, false) / 2
		c.text("", "middle", math.Min(math.Max(at, half+1), width-half-1), c.y+21, t.text)
	}
	c.text("dim", "end", x.to, c.y+40, unit)
	c.y += 42
}

// describe tells in words what the picture shows.
func (f Feature) describe(steps []Step) string {
	var out strings.Builder
	sentence := func(format string, args ...any) { fmt.Fprintf(&out, format+" ", args...) }
	if f.Summary != "" {
		sentence("%s", f.Summary)
	}
	for _, s := range f.Sizes {
		sentence("%s: %s.", s.Name, s.Text)
	}
	list := f.sorted()
	switch {
	case len(list) == 0:
		sentence("No readings.")
	case len(list) > 40:
		low, high := list[0].Value, list[0].Value
		for _, r := range list {
			low, high = math.Min(low, r.Value), math.Max(high, r.Value)
		}
		sentence("%d readings, from %s to %s %s.", len(list), plain(low), plain(high), f.Unit)
	default:
		var texts []string
		for _, r := range list {
			texts = append(texts, r.Text)
		}
		sentence("%s: %s.", count(len(list), "reading"), strings.Join(texts, "; "))
	}
	for _, s := range steps {
		var parts []string
		if finite(s.Pin) {
			parts = append(parts, "pin "+plain(s.Pin)+" "+f.Unit)
		}
		if finite(s.Reamer) {
			parts = append(parts, "reamer "+plain(s.Reamer)+" "+f.Unit)
		}
		sentence("Step %s: %s.", s.Name, strings.Join(parts, ", "))
	}
	if far := len(f.Steps) - len(steps); far > 0 {
		sentence("%s of the ladder outside the picture.", count(far, "step"))
	}
	return strings.TrimSpace(out.String())
}
