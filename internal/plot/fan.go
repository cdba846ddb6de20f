package plot

import (
	"fmt"
	"strings"
	"time"
)

// Fan is what is foreseen of an amount: at each time a middle with a band that holds half of the
// futures and one that holds nine in ten, and below it the chance that it has fallen below nothing by then.
type Fan struct {
	Title, Summary string
	Unit           string
	Zero           time.Time    // today
	Days           []float64    // since, of each time
	Levels         [5][]float64 // 5, 25, 50, 75 and 95 % at each time
	Fallen         []float64    // the chance, in percent
	Fall           int          // the time at which it most likely falls first; below 0: none
	FallText       string
}

// SVG draws the fan.
func (f Fan) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, f.Title)
	if f.Summary != "" {
		c.y += 4
		c.paragraph("", 14, f.Summary)
	}
	c.y += 6
	c.text("dim", "start", margin, c.y+14, f.Unit)
	c.y += 20
	x := newScale(f.Days, 0.02, 0, 1)
	p := c.newPanel(x, newScale(append([]float64{0}, append(append([]float64{}, f.Levels[0]...), f.Levels[4]...)...), 0.06, 0, 1), 220)
	f.band(c, p, "pale-a", f.Levels[0], f.Levels[4])
	f.band(c, p, "pale-c", f.Levels[1], f.Levels[3])
	c.polyline("faint", p, f.Days, f.Levels[1])
	c.polyline("faint", p, f.Days, f.Levels[3])
	c.line("bad", p.x.from, p.y.within(0), p.x.to, p.y.within(0))
	c.polyline("a", p, f.Days, f.Levels[2])
	f.fall(c, p)
	c.foot(p, func(most int) []tick { return p.x.days(f.Zero, most) })
	c.y += 8
	c.text("dim", "start", margin, c.y+14, "Chance of having run out by then, %")
	c.y += 20
	high := 1.0
	for _, v := range f.Fallen {
		if finite(v) {
			high = max(high, v)
		}
	}
	lower := c.newPanel(x, newScale([]float64{0, high}, 0.04, 0, 1), 90)
	c.polyline("b solid", lower, f.Days, f.Fallen)
	c.foot(lower, func(most int) []tick { return lower.x.days(f.Zero, most) })
	c.y += 6
	c.legend(lineSample("a"), "the middle: half of the futures have less")
	c.legend(func(c *canvas, x, y float64) {
		c.rect("pale-c", x, y-7, 34, 14)
		c.line("faint", x, y-7, x+34, y-7)
		c.line("faint", x, y+7, x+34, y+7)
	}, "half of the futures")
	c.legend(bandSample("pale-a"), "nine futures in ten")
	c.legend(lineSample("bad"), "nothing left")
	if f.falls() {
		c.legend(markSample(diamond, "open"), f.FallText)
	}
	return c.svg(s, f.Title, f.describe())
}

func (f Fan) falls() bool {
	return f.Fall >= 0 && f.Fall < len(f.Days) && finite(f.Days[f.Fall])
}

// fall marks the likeliest time on the line of nothing left.
func (f Fan) fall(c *canvas, p panel) {
	if !f.falls() {
		return
	}
	at := p.x.within(f.Days[f.Fall])
	c.line("step", at, p.top, at, p.bottom)
	c.mark(diamond, "open", at, p.y.within(0), 6)
}

func (f Fan) band(c *canvas, p panel, class string, low, high []float64) {
	var up, down []point
	for i, d := range f.Days {
		if i < len(low) && i < len(high) && finite(d) && finite(low[i]) && finite(high[i]) {
			at := p.x.within(d)
			up, down = append(up, point{at, p.y.within(high[i])}), append(down, point{at, p.y.within(low[i])})
		}
	}
	for i := len(down) - 1; i >= 0; i-- {
		up = append(up, down[i])
	}
	c.path(class, true, up...)
}

func (f Fan) describe() string {
	var out strings.Builder
	sentence := func(format string, args ...any) { fmt.Fprintf(&out, format+" ", args...) }
	if f.Summary != "" {
		sentence("%s", f.Summary)
	}
	if n := len(f.Days) - 1; n >= 0 && n < len(f.Levels[0]) && n < len(f.Levels[2]) && n < len(f.Levels[4]) {
		on := func(i int) string {
			if !finite(f.Days[i]) || f.Days[i] < -90_000 || f.Days[i] > 90_000 {
				return "an unknown day"
			}
			return f.Zero.Add(time.Duration(f.Days[i] * 24 * float64(time.Hour))).Format(time.DateOnly)
		}
		sentence("It goes from %s %s on %s to %s %s on %s, nine futures in ten from %s to %s.", plain(f.Levels[2][0]), f.Unit, on(0), plain(f.Levels[2][n]), f.Unit, on(n), plain(f.Levels[0][n]), plain(f.Levels[4][n]))
		if n < len(f.Fallen) && finite(f.Fallen[n]) {
			sentence("The chance of having run out by then is %s %%.", plain(f.Fallen[n]))
		}
	}
	if len(f.Days) == 0 {
		sentence("Nothing is foreseen.")
	}
	if f.falls() && f.FallText != "" {
		sentence("%s.", strings.TrimSuffix(f.FallText, "."))
	}
	return strings.TrimSpace(out.String())
}
