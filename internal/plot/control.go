package plot

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// ControlChart is a chart of single values and their moving ranges.
type ControlChart struct {
	Title, Summary string
	Unit           string // of the values; may be empty
	Values         []float64
	Names          []string  // of the values, such as days; empty: their number, from 1
	Ranges         []float64 // moving ranges; NaN at the first of a segment
	Segments       []Limits
	Signals        []Signal
}

// Limits are those of the values First to Last. Sigma is NaN where there are none.
type Limits struct {
	First, Last         int
	Centre, Sigma       float64
	MeanRange, TopRange float64 // of the moving ranges
}

// Signal is a rule that was met at a value.
type Signal struct {
	At      int
	Mark    string // short: “1”, “W2”, “R”
	Meaning string
	Range   bool // it stands at the moving range
}

const mostMarks = 120 // values that are drawn with a mark each

// SVG draws the chart.
func (cc ControlChart) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, cc.Title)
	if cc.Summary != "" {
		c.y += 4
		c.paragraph("", 14, cc.Summary)
	}
	c.y += 6
	c.text("dim", "start", margin, c.y+14, strings.TrimSpace("Values "+bracket(cc.Unit)))
	c.y += 22
	x := newScale([]float64{0, float64(max(1, len(cc.Values)-1))}, 0.03, 0, 1)
	p := c.newPanel(x, cc.scaleOf(cc.Values, func(l Limits) []float64 { return []float64{l.Centre, l.Centre - 3*l.Sigma, l.Centre + 3*l.Sigma} }), 210)
	for _, l := range cc.Segments {
		cc.zones(c, p, l)
	}
	cc.series(c, p, cc.Values, false)
	cc.numbers(c, p)
	c.y += 10
	c.text("dim", "start", margin, c.y+14, strings.TrimSpace("Steps from value to value "+bracket(cc.Unit)))
	c.y += 22
	lower := c.newPanel(x, cc.scaleOf(append([]float64{0}, cc.Ranges...), func(l Limits) []float64 { return []float64{l.TopRange} }), 100)
	for _, l := range cc.Segments {
		from, to := span(lower, l)
		if finite(l.TopRange) {
			c.line("bad", from, lower.y.within(l.TopRange), to, lower.y.within(l.TopRange))
		}
		if finite(l.MeanRange) {
			c.line("c", from, lower.y.within(l.MeanRange), to, lower.y.within(l.MeanRange))
		}
	}
	cc.series(c, lower, cc.Ranges, true)
	cc.numbers(c, lower)
	cc.key(c)
	return c.svg(s, cc.Title, cc.describe())
}

func bracket(unit string) string {
	if unit == "" {
		return ""
	}
	return "in " + unit
}

func (cc ControlChart) scaleOf(values []float64, more func(Limits) []float64) scale {
	all := slices.Clone(values)
	for _, l := range cc.Segments {
		all = append(all, more(l)...)
	}
	return newScale(all, 0.13, 0, 1) // with room for the marks of the rules
}

// span is how far the limits of a segment reach, to halfway between its neighbours.
func span(p panel, l Limits) (from, to float64) {
	return p.x.within(float64(l.First) - 0.5), p.x.within(float64(l.Last) + 0.5)
}

// zones draws centre, limits and the edges of the zones between, of which A is the
// outermost.
func (cc ControlChart) zones(c *canvas, p panel, l Limits) {
	from, to := span(p, l)
	if l.First > 0 {
		c.line("axis", from, p.top, from, p.bottom)
	}
	if !finite(l.Centre) {
		return
	}
	if finite(l.Sigma) && l.Sigma > 0 {
		for _, side := range []float64{-1, 1} {
			for k, class := range []string{"pale-c", "pale-b"} { // C within one sigma; A from two to three
				inside, outside := l.Centre+side*2*float64(k)*l.Sigma, l.Centre+side*(2*float64(k)+1)*l.Sigma
				a, b := p.y.within(inside), p.y.within(outside)
				c.rect(class, from, math.Min(a, b), to-from, math.Abs(b-a))
			}
			c.line("bad", from, p.y.within(l.Centre+side*3*l.Sigma), to, p.y.within(l.Centre+side*3*l.Sigma))
		}
		if to-from > 40 {
			for k, name := range []string{"C", "B", "A"} {
				for _, side := range []float64{-1, 1} {
					if y := p.y.within(l.Centre + side*(float64(k)+0.5)*l.Sigma); p.y.within(l.Centre)-p.y.within(l.Centre+l.Sigma) > 15 {
						c.text("dim", "end", to-3, y+5, name)
					}
				}
			}
		}
	}
	c.line("c", from, p.y.within(l.Centre), to, p.y.within(l.Centre))
}

// series draws values joined within their segment; those with a signal are
// drawn as diamonds.
func (cc ControlChart) series(c *canvas, p panel, values []float64, ranges bool) {
	flagged := map[int]bool{}
	for _, s := range cc.Signals {
		if s.Range == ranges {
			flagged[s.At] = true
		}
	}
	starts := map[int]bool{}
	for _, l := range cc.Segments {
		starts[l.First] = true
	}
	var xs, ys []float64
	for i, v := range values {
		if starts[i] {
			xs, ys = append(xs, math.NaN()), append(ys, math.NaN())
		}
		xs, ys = append(xs, float64(i)), append(ys, v)
	}
	class := "a solid"
	if len(values) > mostMarks {
		class = "thin-a"
	}
	c.polyline(class, p, xs, ys)
	drawn := map[[2]int]bool{} // of many, each place once
	for i, v := range values {
		if !finite(v) {
			continue
		}
		place := [2]int{int(p.x.at(float64(i)) / 3), int(p.y.within(v) / 3)}
		if flagged[i] && len(values) > mostMarks && drawn[place] {
			continue
		}
		switch {
		case flagged[i]:
			drawn[place] = true
			c.mark(diamond, "mark-bad", p.x.at(float64(i)), p.y.within(v), map[bool]float64{true: 4, false: 6}[len(values) > mostMarks])
		case len(values) <= 40:
			c.mark(disc, "mark-a", p.x.at(float64(i)), p.y.within(v), 5.5)
		case len(values) <= mostMarks:
			c.mark(disc, "mark-a", p.x.at(float64(i)), p.y.within(v), 3.5)
		}
	}
	cc.flags(c, p, values, ranges)
}

// flags writes the marks of the rules beside the values that met them, as far as
// they find room.
func (cc ControlChart) flags(c *canvas, p panel, values []float64, ranges bool) {
	texts, held := map[int][]string{}, map[int][]string{}
	var order []int
	for _, s := range cc.Signals {
		if s.Range == ranges && s.At >= 0 && s.At < len(values) && finite(values[s.At]) {
			held[s.At] = append(held[s.At], s.Mark)
			if slices.Contains(held[s.At-1], s.Mark) || slices.Contains(texts[s.At], s.Mark) {
				continue // a run is told where it begins
			}
			if texts[s.At] == nil {
				order = append(order, s.At)
			}
			texts[s.At] = append(texts[s.At], s.Mark)
		}
	}
	type box struct{ left, right, top, bottom float64 }
	var taken []box
	for _, i := range order {
		text := strings.Join(texts[i], ",")
		half := textWidth(text, 14, true) / 2
		x := math.Min(math.Max(p.x.at(float64(i)), p.x.from+half), p.x.to-half)
		up, down := p.y.within(values[i])-11, p.y.within(values[i])+22
		ways := []float64{up, down}
		if i > 0 && finite(values[i-1]) && values[i] < values[i-1] {
			ways = []float64{down, up}
		}
		for _, y := range ways {
			b := box{x - half - 2, x + half + 2, y - 12, y + 3}
			if b.top < p.top-4 || b.bottom > p.bottom+2 || slices.ContainsFunc(taken, func(t box) bool {
				return b.left < t.right && t.left < b.right && b.top < t.bottom && t.top < b.bottom
			}) {
				continue
			}
			taken = append(taken, b)
			c.text("sub over word-bad", "middle", x, y, text)
			break
		}
	}
}

// numbers tells which value stands where, from 1 on.
func (cc ControlChart) numbers(c *canvas, p panel) {
	c.foot(p, func(most int) []tick {
		if len(cc.Values) == 0 {
			return nil
		}
		step := 1
		for _, s := range []int{1, 2, 5, 10, 20, 50, 100, 200, 500, 1000} {
			if step = s; (len(cc.Values)-1)/s+1 <= most {
				break
			}
		}
		var out []tick
		for i := 0; i < len(cc.Values); i++ {
			if n := i + 1; n == 1 && step <= 2 || n%step == 0 || step == 1 {
				out = append(out, tick{float64(i), fmt.Sprint(n)})
			}
		}
		return out
	})
}

// grouped are the signals by rule, in the order in which they first stand.
func (cc ControlChart) grouped() (marks []string, at map[string][]int, meaning map[string]string) {
	at, meaning = map[string][]int{}, map[string]string{}
	for _, s := range cc.Signals {
		if at[s.Mark] == nil {
			marks = append(marks, s.Mark)
		}
		at[s.Mark], meaning[s.Mark] = append(at[s.Mark], s.At), s.Meaning
	}
	return marks, at, meaning
}

func (cc ControlChart) key(c *canvas) {
	c.y += 4
	limited := slices.ContainsFunc(cc.Segments, func(l Limits) bool { return finite(l.Sigma) && l.Sigma > 0 })
	if limited {
		c.legend(lineSample("c"), "centre, mean step")
		c.legend(lineSample("bad"), "limits: three sigma from the centre")
		c.legend(func(c *canvas, x, y float64) {
			c.rect("pale-c", x, y-8, 11, 16)
			c.rect("cell", x+11.5, y-8, 11, 16)
			c.rect("pale-b", x+23, y-8, 11, 16)
		}, "zones C, B, A: one sigma each")
	}
	marks, at, meaning := cc.grouped()
	if len(marks) == 0 {
		if limited {
			c.y += 4
			c.paragraph("sub", 14, "No signal: the values hold together.")
		}
		return
	}
	c.y += 4
	c.paragraph("sub", 14, "Signals")
	for _, m := range marks {
		c.legend(func(c *canvas, x, y float64) {
			c.mark(diamond, "mark-bad", x+6, y, 5)
			c.text("sub word-bad", "start", x+15, y+5, m)
		}, cc.at(at[m])+": "+meaning[m])
	}
}

// at names values, the first of them where there are many.
func (cc ControlChart) at(list []int) string {
	const most = 6
	var names []string
	for _, i := range list[:min(most, len(list))] {
		name := fmt.Sprint(i + 1)
		if i < len(cc.Names) && cc.Names[i] != "" {
			name += " (" + cc.Names[i] + ")"
		}
		names = append(names, name)
	}
	text := "At " + strings.Join(names, ", ")
	if more := len(list) - most; more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

func (cc ControlChart) describe() string {
	var out strings.Builder
	sentence := func(format string, args ...any) { fmt.Fprintf(&out, format+" ", args...) }
	if cc.Summary != "" {
		sentence("%s", cc.Summary)
	}
	sentence("%s.", count(len(cc.Values), "value"))
	unit := strings.TrimRight(" "+cc.Unit, " ")
	for _, l := range cc.Segments {
		if finite(l.Centre) && finite(l.Sigma) && l.Sigma > 0 {
			sentence("Values %d to %d: centre %s%s, limits %s and %s%s, a step at most %s%s.", l.First+1, l.Last+1, plain(l.Centre), unit,
				plain(l.Centre-3*l.Sigma), plain(l.Centre+3*l.Sigma), unit, plain(l.TopRange), unit)
		} else {
			sentence("Values %d to %d: no limits.", l.First+1, l.Last+1)
		}
	}
	marks, at, meaning := cc.grouped()
	for _, m := range marks {
		sentence("Signal %s. %s: %s", m, cc.at(at[m]), meaning[m])
	}
	if len(marks) == 0 {
		sentence("No signal.")
	}
	return strings.TrimSpace(out.String())
}
