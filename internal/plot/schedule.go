package plot

import (
	"math"
	"strings"
	"time"
)

// Schedule is a plan: rows of steps over days.
type Schedule struct {
	Title, Summary string
	Zero           time.Time // the first day, at midnight UTC
	Zone           *time.Location
	Days           float64 // how many are shown
	Rows           []ScheduleRow
}

// ScheduleRow is what is done under one name.
type ScheduleRow struct {
	Name string
	Bars []Bar
}

// Bar is a step, in days from the schedule's first.
type Bar struct {
	From, Worked, Until float64 // work up to Worked, then a wait
	Latest              float64 // when it may begin at the latest
	Chain               bool    // the finish hangs on it
	Delivery            bool    // somebody else's work: parts are under way
	Words               string  // for who cannot see it
}

// At counts the days up to t by the schedule's clock; a day is as long as its clock
// says.
func (s Schedule) At(t time.Time) float64 {
	local := t.In(s.Zone)
	y, m, d := local.Date()
	date := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	return date.Sub(s.Zero).Hours()/24 + float64(local.Hour()*60+local.Minute())/(24*60)
}

// SVG draws the schedule.
func (s Schedule) SVG(scheme Scheme) []byte {
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, s.Title)
	if s.Summary != "" {
		c.y += 4
		c.paragraph("", 14, s.Summary)
	}
	c.y += 10
	x := scale{0, math.Max(1, s.Days), margin, width - margin}
	if !finite(s.Days) {
		x.high = 1
	}
	top := c.y
	const band = 12.0
	for _, row := range s.Rows {
		begins := ""
		for _, b := range row.Bars {
			if finite(b.From) && begins == "" {
				begins = monthDay(s.Zero.AddDate(0, 0, int(math.Floor(math.Min(math.Max(b.From, -1e5), 1e5)))))
			}
		}
		wide := textWidth(begins, 14, false)
		c.text("dim", "end", width-margin, c.y+14, begins)
		c.text("", "start", margin, c.y+14, shorten(row.Name, 14, false, inner-wide-10))
		c.y += 20
		c.line("grid", x.from, c.y+band/2, x.to, c.y+band/2)
		for _, b := range row.Bars {
			c.bar(x, b, c.y, c.y+band)
		}
		c.y += band + 6
	}
	c.foot(panel{x: x, top: top, bottom: c.y}, func(most int) []tick { return x.days(s.Zero, most) })
	c.y += 4
	c.barKey(s.Rows)
	return c.svg(scheme, s.Title, s.describe())
}

// bar draws a step between top and bottom; what is short is still to be seen.
func (c *canvas) bar(x scale, b Bar, top, bottom float64) {
	if !(b.Until >= x.low && b.From <= x.high) { // also when either is no number
		return
	}
	from, worked, until := x.within(b.From), x.within(b.Worked), x.within(b.Until)
	if until-from < 4 {
		from = math.Min(from, x.to-4)
		until = from + 4
		if b.Worked > b.From {
			worked = until
		}
	} else if b.Worked > b.From {
		worked = math.Min(math.Max(worked, from+3), until)
	}
	if slack := b.Latest - b.From; finite(slack) && slack > 0 {
		c.line("step", until, (top+bottom)/2, x.within(b.Until+slack), (top+bottom)/2)
	}
	switch {
	case b.Delivery:
		c.rect("pale-b", from, top, until-from, bottom-top)
		step := bottom - top - 4
		for at := from + 3; at+step <= until-2; at += step * 2 {
			c.line("b solid", at, top+2, at+step, bottom-2)
			c.line("b solid", at, bottom-2, at+step, top+2)
		}
	case until > worked:
		c.rect("pale-a", worked, top, until-worked, bottom-top)
		c.rect("thin-a", worked+1, top+1, until-worked-2, bottom-top-2)
	}
	if worked > from {
		c.rect("bar-a", from, top, worked-from, bottom-top)
	}
	if b.Chain {
		c.rect("ink", from-2, top-2, until-from+4, bottom-top+4)
	}
}

// barKey explains what is drawn, and nothing else.
func (c *canvas) barKey(rows []ScheduleRow) {
	var work, wait, parts, slack, chain bool
	for _, row := range rows {
		for _, b := range row.Bars {
			work, wait, parts = work || b.Worked > b.From, wait || !b.Delivery && b.Until > b.Worked, parts || b.Delivery
			slack, chain = slack || b.Latest > b.From, chain || b.Chain
		}
	}
	x := scale{0, 1, margin, margin + 34}
	for _, k := range []struct {
		shown bool
		bar   Bar
		text  string
	}{
		{work, Bar{Worked: 1, Until: 1}, "work"}, {wait, Bar{Until: 1}, "creeps, dwells, dries or cures"}, {parts, Bar{Until: 1, Delivery: true}, "parts are under way"},
		{chain, Bar{Worked: 1, Until: 1, Chain: true}, "the finish hangs on it"}, {slack, Bar{Worked: 0.4, Until: 0.4, Latest: 0.6}, "may be so much later"},
	} {
		if k.shown {
			c.legend(func(c *canvas, _, y float64) { c.bar(x, k.bar, y-6, y+6) }, k.text)
		}
	}
}

func (s Schedule) describe() string {
	var out strings.Builder
	if text := strings.TrimSuffix(strings.TrimSpace(s.Summary), "."); text != "" {
		out.WriteString(text + ". ")
	}
	for _, row := range s.Rows {
		var list []Span
		for _, b := range row.Bars {
			words := b.Words
			if b.Chain && words != "" {
				words += ", the finish hangs on it"
			}
			list = append(list, Span{Words: words})
		}
		if text := said(list, 40); text != "" {
			out.WriteString(row.Name + ": " + text + ". ")
		}
	}
	if len(s.Rows) == 0 {
		out.WriteString("Nothing is left to do.")
	}
	return strings.TrimSpace(out.String())
}
