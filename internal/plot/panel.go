package plot

import "math"

// panel is a rectangle with values up its left side.
type panel struct {
	x, y        scale
	top, bottom float64
}

// newPanel makes room below what is there for values of y, whose ticks are told on
// the left, and draws their grid. x gets its place only: it is told by whoever
// knows what it counts.
func (c *canvas) newPanel(x, y scale, high float64) panel {
	p := panel{x: x, y: y, top: c.y + 4, bottom: c.y + 4 + high}
	p.y.from, p.y.to = p.bottom, p.top
	ticks := p.y.ticks(int(math.Max(2, high/36)))
	wide := 0.0
	for _, t := range ticks {
		wide = math.Max(wide, textWidth(t.text, 14, false))
	}
	p.x.from, p.x.to = margin+wide+8, width-margin-2
	for _, t := range ticks {
		c.line("grid", p.x.from, p.y.at(t.value), p.x.to, p.y.at(t.value))
		c.text("dim", "end", p.x.from-7, p.y.at(t.value)+5, t.text)
	}
	c.y = p.bottom
	return p
}

// foot draws the scale below a panel, with as many of its ticks as fit.
func (c *canvas) foot(p panel, ticks func(most int) []tick) {
	c.line("axis", p.x.from, p.bottom, p.x.to, p.bottom)
	list := ticks(1)
	for most := 8; most > 1; most-- {
		some, wide := ticks(most), 0.0
		for _, t := range some {
			wide = math.Max(wide, textWidth(t.text, 14, false))
		}
		if len(some) > 0 && float64(len(some))*(wide+12) <= p.x.to-p.x.from+wide {
			list = some
			break
		}
	}
	right := 0.0
	for _, t := range list {
		at, half := p.x.at(t.value), textWidth(t.text, 14, false)/2
		c.line("axis", at, p.bottom, at, p.bottom+6)
		middle := math.Min(math.Max(at, half+1), width-half-1)
		if middle-half >= right {
			c.text("", "middle", middle, p.bottom+21, t.text)
			right = middle + half + 4
		}
	}
	c.y = p.bottom + 26
}

// polyline draws points that are finite, broken where they are not, and kept within
// the panel.
func (c *canvas) polyline(class string, p panel, xs, ys []float64) {
	var run []point
	for i := range xs {
		if !finite(xs[i]) || !finite(ys[i]) {
			c.path(class, false, run...)
			run = nil
			continue
		}
		run = append(run, point{p.x.within(xs[i]), p.y.within(ys[i])})
	}
	c.path(class, false, run...)
}

// sample is what a line of a legend shows beside its text.
type sample func(c *canvas, x, y float64)

// legend explains one thing that was drawn.
func (c *canvas) legend(draw sample, text string) {
	lines := wrap(text, 14, false, inner-46)
	c.y += 3
	draw(c, margin, c.y+10)
	for i, l := range lines {
		c.text("", "start", margin+44, c.y+15+18*float64(i), l)
	}
	c.y += 18*float64(max(1, len(lines))) + 2
}

func lineSample(class string) sample {
	return func(c *canvas, x, y float64) { c.line(class, x, y, x+34, y) }
}

func bandSample(class string) sample {
	return func(c *canvas, x, y float64) { c.rect(class, x, y-7, 34, 14) }
}

func markSample(s shape, class string) sample {
	return func(c *canvas, x, y float64) { c.mark(s, class, x+17, y, 6) }
}
