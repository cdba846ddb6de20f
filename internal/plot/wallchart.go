package plot

import (
	"fmt"
	"strings"
	"time"
)

// WallChart is the next weeks of a club's tools, a row for each.
type WallChart struct {
	Title, Summary string
	Zero           time.Time // the first day, at midnight UTC
	Days           int
	Now            float64 // in days from the first
	Closed         []bool  // by day: nothing is handed out
	Rows           []WallRow
	More           bool // there are tools that are not shown
}

// WallRow is one tool.
type WallRow struct {
	Number, Name string
	Note         string // short, such as that it is late now
	Spans        []Span
}

// mostDays is how many days a wall chart is wide at most: as many as can be told
// apart on a phone.
const mostDays = 84

// blockRows is after how many rows the days are told again, so that they are in
// sight however far somebody has scrolled.
const blockRows = 8

// SVG draws the chart.
func (w WallChart) SVG(s Scheme) []byte {
	w.Days = min(max(w.Days, 1), mostDays)
	c := &canvas{y: margin - 4}
	c.paragraph("head", 18, w.Title)
	if w.Summary != "" {
		c.y += 4
		c.paragraph("", 14, w.Summary)
	}
	c.y += 6
	var all []Span
	for _, r := range w.Rows {
		all = append(all, r.Spans...)
	}
	c.spanKey(all)
	if w.anyClosed() {
		c.legend(func(c *canvas, x, y float64) { c.line("step", x, y, x+34, y) }, "closed")
	}
	c.legend(func(c *canvas, x, y float64) { c.line("ink", x+17, y-9, x+17, y+9) }, "now")
	x := scale{0, float64(w.Days), margin, width - margin}
	for from := 0; from < len(w.Rows); from += blockRows {
		c.block(w, x, w.Rows[from:min(from+blockRows, len(w.Rows))])
	}
	if len(w.Rows) == 0 {
		c.y += 6
		c.paragraph("dim", 14, "There are no tools to be lent.")
	}
	if w.More {
		c.y += 6
		c.paragraph("dim", 14, "There are more tools; ask for one garage.")
	}
	return c.svg(s, w.Title, w.describe())
}

func (w WallChart) anyClosed() bool {
	for d := range min(w.Days, len(w.Closed)) {
		if w.Closed[d] {
			return true
		}
	}
	return false
}

// block draws the days and some rows below them.
func (c *canvas) block(w WallChart, x scale, rows []WallRow) {
	const name, band, gap = 19.0, 22.0, 6.0
	c.y += 12
	c.todayTop(x, w.Now, c.y+13)
	c.y += 18
	top := c.y
	right := 0.0
	for d := range w.Days {
		day := w.Zero.AddDate(0, 0, d)
		if day.Weekday() != time.Monday && d > 0 {
			continue
		}
		at, text := x.at(float64(d)), monthDay(day)
		if wide := textWidth(text, 14, false); at >= right && at+wide <= width-1 {
			c.text("dim", "start", at, c.y+14, text)
			right = at + wide + 6
		}
	}
	c.y += 20
	ticks := c.y
	bottom := ticks + float64(len(rows))*(name+band+gap)
	for d := 0; d <= w.Days; d++ { // each day, and each Monday from the top
		day := w.Zero.AddDate(0, 0, d)
		if day.Weekday() == time.Monday {
			c.line("axis", x.at(float64(d)), top+17, x.at(float64(d)), ticks)
			c.line("grid", x.at(float64(d)), ticks, x.at(float64(d)), bottom)
		}
	}
	c.line("axis", x.from, ticks, x.to, ticks)
	for _, r := range rows {
		note := shorten(r.Note, 14, true, inner/3)
		number := shorten(r.Number, 14, true, inner/2)
		c.text("sub over", "start", margin, c.y+15, number)
		used := textWidth(number, 14, true) + 8
		if note != "" {
			c.text("sub over word-bad", "end", width-margin, c.y+15, note)
			used += textWidth(note, 14, true) + 8
		}
		if rest := shorten(r.Name, 14, false, inner-used); rest != "…" {
			c.text("dim over", "start", margin+textWidth(number, 14, true)+8, c.y+15, rest)
		}
		c.y += name
		w.days(c, x, c.y, band)
		for _, s := range r.Spans {
			c.span(x, s, c.y+1, c.y+band-1)
		}
		c.today(x, w.Now, c.y-2, c.y+band+2)
		c.y += band + gap
	}
}

// days draws the band of a row: framed where the garage is open, a dashed line
// where it is closed.
func (w WallChart) days(c *canvas, x scale, top, band float64) {
	closed := func(d int) bool { return d < len(w.Closed) && w.Closed[d] }
	for from := 0; from < w.Days; {
		until := from + 1
		for until < w.Days && closed(until) == closed(from) {
			until++
		}
		a, b := x.at(float64(from)), x.at(float64(until))
		if closed(from) {
			c.line("step", a, top+band/2, b, top+band/2)
		} else {
			c.rect("cell", a, top, b-a, band)
		}
		from = until
	}
}

func (w WallChart) describe() string {
	var out strings.Builder
	if text := strings.TrimSpace(w.Summary); text != "" {
		out.WriteString(text + " ")
	}
	fmt.Fprintf(&out, "Shown are %s to %s. ", w.Zero.Format("2 Jan 2006"), w.Zero.AddDate(0, 0, w.Days-1).Format("2 Jan 2006"))
	if w.anyClosed() {
		var list []string
		for d := 0; d < min(w.Days, len(w.Closed)); d++ {
			if !w.Closed[d] {
				continue
			}
			last := d
			for last+1 < min(w.Days, len(w.Closed)) && w.Closed[last+1] {
				last++
			}
			text := monthDay(w.Zero.AddDate(0, 0, d))
			if last > d {
				text += " to " + monthDay(w.Zero.AddDate(0, 0, last))
			}
			list, d = append(list, text), last
		}
		out.WriteString("Closed: " + strings.Join(list, ", ") + ". ")
	}
	free := 0
	for _, r := range w.Rows {
		if len(r.Spans) == 0 {
			free++
			continue
		}
		out.WriteString(strings.TrimSpace(r.Number+" "+r.Name) + ": " + said(r.Spans, 12) + ". ")
	}
	if free > 0 {
		out.WriteString(strings.ToUpper(count(free, "tool")[:1]) + count(free, "tool")[1:] + " free all the time. ")
	}
	if w.More {
		out.WriteString("There are more tools than are shown. ")
	}
	return strings.TrimSpace(out.String())
}
