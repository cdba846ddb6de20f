package plot

import (
	"math"
	"strings"
	"time"
)

// Timeline is what one tool went through and what is promised of it.
type Timeline struct {
	Title, Summary string
	Zero           time.Time // the first day, at midnight UTC
	Days           float64   // how many are shown
	Now            float64   // in days from the first
	Loans          []Span    // Out, Expected and Late
	Promises       []Span
	Barred         []Span
	Checks         []Check // calibrations
	NeedsChecks    bool    // whether it is a tool that is calibrated
}

// Check is a calibration that was made, or is due.
type Check struct {
	At    float64 // in days from the first
	Due   bool    // it is due then, not made
	Words string
}

// SVG draws the timeline.
func (l Timeline) SVG(s Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, l.Title)
	if l.Summary != "" {
		c.y += 4
		c.paragraph("", 14, l.Summary)
	}
	c.y += 26
	x := scale{0, math.Max(1, l.Days), margin, width - margin}
	if !finite(l.Days) {
		x.high = 1
	}
	top := c.y
	type lane struct {
		name  string
		spans []Span
	}
	const band = 26.0
	lanes := []lane{{"Out", l.Loans}, {"Promised", l.Promises}}
	if len(l.Barred) > 0 {
		lanes = append(lanes, lane{"Not to be lent", l.Barred})
	}
	var bands []float64
	for _, one := range lanes {
		c.text("dim", "start", margin, c.y+14, one.name)
		c.y += 20
		c.rect("cell", x.from, c.y, x.to-x.from, band)
		bands = append(bands, c.y)
		c.y += band + 8
	}
	checks := c.y
	if l.NeedsChecks {
		c.text("dim", "start", margin, c.y+14, "Calibrated")
		c.y += 20
		checks = c.y
		c.line("axis", x.from, c.y+band/2, x.to, c.y+band/2)
		c.y += band + 8
	}
	c.today(x, l.Now, top, c.y)
	c.todayTop(x, l.Now, top-6)
	for i, one := range lanes {
		for _, span := range one.spans {
			c.span(x, span, bands[i]+2, bands[i]+band-2)
		}
	}
	for _, check := range l.Checks {
		if finite(check.At) && x.holds(check.At) {
			if check.Due {
				c.mark(triangleDown, "open", x.at(check.At), checks+band/2, 7)
			} else {
				c.mark(diamond, "mark-c", x.at(check.At), checks+band/2, 7)
			}
		}
	}
	c.foot(panel{x: x, top: top, bottom: c.y}, func(most int) []tick { return x.days(l.Zero, most) })
	c.y += 4
	c.spanKey(append(append(append([]Span{}, l.Loans...), l.Promises...), l.Barred...))
	made, due := false, false
	for _, check := range l.Checks {
		made, due = made || !check.Due && x.holds(check.At), due || check.Due && x.holds(check.At)
	}
	if made {
		c.legend(markSample(diamond, "mark-c"), "calibrated")
	}
	if due {
		c.legend(markSample(triangleDown, "open"), "calibration due")
	}
	return c.svg(s, l.Title, l.describe())
}

func (l Timeline) describe() string {
	var out strings.Builder
	sentence := func(name, text string) {
		if text != "" {
			out.WriteString(name + text + ". ")
		}
	}
	if text := strings.TrimSuffix(strings.TrimSpace(l.Summary), "."); text != "" {
		sentence("", text)
	}
	if finite(l.Days) {
		sentence("", "Shown are "+monthDay(l.Zero)+l.Zero.Format(" 2006")+" to "+l.Zero.AddDate(0, 0, int(math.Max(1, math.Min(l.Days, 1e5)))-1).Format("2 Jan 2006"))
	}
	sentence("Loans: ", said(l.Loans, 40))
	sentence("Promised: ", said(l.Promises, 40))
	sentence("Not to be lent: ", said(l.Barred, 40))
	var checks []Span
	for _, c := range l.Checks {
		checks = append(checks, Span{Words: c.Words})
	}
	sentence("Calibrations: ", said(checks, 20))
	if len(l.Loans)+len(l.Promises)+len(l.Barred)+len(l.Checks) == 0 {
		sentence("", "Nothing happened to it and nothing is promised in that time")
	}
	return strings.TrimSpace(out.String())
}
