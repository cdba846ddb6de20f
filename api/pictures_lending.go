package api

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/whereabouts"
)

// localDay spells the day that it is in a zone.
func localDay(now time.Time, zone string) (string, error) {
	z, err := time.LoadLocation(zone)
	if err != nil {
		return "", fmt.Errorf("time zone: %w", err)
	}
	return now.In(z).Format("Mon 2 Jan 2006"), nil
}

// dateIn is the date that it is in zone, at midnight UTC.
func dateIn(zone *time.Location, now time.Time) time.Time {
	y, m, d := now.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// spansOf draws b: what is out as it was until now, as it is expected to go on,
// and late beyond the time when it was due.
func spansOf(b whereabouts.Bar, at func(time.Time) float64, now time.Time, zone *time.Location) []plot.Span {
	show := func(t time.Time) string { return whereabouts.At(t, now, zone) }
	switch b.Kind {
	case "reserved":
		words := fmt.Sprintf("for %s, %s to %s", b.Who, show(b.BeginsAt), show(*b.EndsAt))
		if b.Endangered {
			words += ", may not be there"
		}
		return []plot.Span{{From: at(b.BeginsAt), Until: at(*b.EndsAt), Use: plot.Promised, Endangered: b.Endangered, Text: b.Who, Words: words}}
	case "unlendable":
		until, words := now, strings.ReplaceAll(b.State, "_", " ")+" since "+show(b.BeginsAt)
		if b.EndsAt != nil {
			until, words = *b.EndsAt, strings.ReplaceAll(b.State, "_", " ")+", "+show(b.BeginsAt)+" to "+show(*b.EndsAt)
		}
		return []plot.Span{{From: at(b.BeginsAt), Until: at(until), Use: plot.Barred, Words: words}}
	}
	due, ended := *b.DueAt, now
	if b.EndsAt != nil {
		ended = *b.EndsAt
	}
	words := fmt.Sprintf("with %s since %s, due %s", b.Who, show(b.BeginsAt), show(due))
	switch {
	case b.EndsAt != nil && ended.After(due):
		words = fmt.Sprintf("with %s, %s to %s, late since %s", b.Who, show(b.BeginsAt), show(ended), show(due))
	case b.EndsAt != nil:
		words = fmt.Sprintf("with %s, %s to %s", b.Who, show(b.BeginsAt), show(ended))
	case ended.After(due):
		words = fmt.Sprintf("with %s since %s, late since %s", b.Who, show(b.BeginsAt), show(due))
	}
	list := []plot.Span{{From: at(b.BeginsAt), Until: at(earlier(ended, due)), Use: plot.Out, Text: b.Who, Words: words}}
	switch {
	case ended.After(due):
		list = append(list, plot.Span{From: at(due), Until: at(ended), Use: plot.Late})
	case b.EndsAt == nil:
		list = append(list, plot.Span{From: at(ended), Until: at(due), Use: plot.Expected, Text: b.Who})
	}
	return list
}

// monday is the first day of a date's week (ISO 8601).
func monday(date time.Time) time.Time {
	return date.AddDate(0, 0, -(int(date.Weekday())+6)%7)
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// GetToolTimelinePicture implements the contract.
func (s *Server) GetToolTimelinePicture(c echo.Context, _ InClub, name InTool, params GetToolTimelinePictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(name)
		today := dateIn(time.UTC, in.now)
		from, until := today.AddDate(0, 0, -180), today.AddDate(0, 0, 60)
		if params.From != nil {
			from = params.From.Time
		}
		if params.Until != nil {
			until = params.Until.Time
		}
		days := int(until.Sub(from).Hours()/24) + 1
		switch {
		case days < 1:
			in.fault = problem.Invalid(problem.Fault{Pointer: "?until", Detail: "must not be before from (" + from.Format(time.DateOnly) + ")"})
		case days > 3660:
			in.fault = problem.Invalid(problem.Fault{Pointer: "?until", Detail: "is too late: a picture shows 3660 days at most"})
		}
		row := tool.Find(b, ref)
		standing := whereabouts.FindStanding(b, ref, in.now)
		life := whereabouts.QueueLife(b, ref, from.AddDate(0, 0, -1), until.AddDate(0, 0, 2)) // a day of every zone
		return func() (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			st, err := standing.One()
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(timelineDrawing(t, st, life, from, days, in.now).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

func timelineDrawing(t tool.Tool, st whereabouts.Standing, life *whereabouts.Life, from time.Time, days int, now time.Time) plot.Timeline {
	zone, err := time.LoadLocation(st.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	at := func(m time.Time) float64 { return whereabouts.Position(m, zone, from) }
	l := plot.Timeline{Title: t.Number + ", " + t.ModelCode, Summary: st.Text(now), Zero: from, Days: float64(days), Now: at(now), NeedsChecks: t.Kind.Measures()}
	barredNow := false
	bars := slices.Clone(life.Bars.Items)
	slices.SortStableFunc(bars, func(a, b whereabouts.Bar) int { return a.BeginsAt.Compare(b.BeginsAt) })
	for _, b := range bars {
		spans := spansOf(b, at, now, zone)
		switch b.Kind {
		case "reserved":
			l.Promises = append(l.Promises, spans...)
		case "unlendable":
			barredNow = barredNow || b.EndsAt == nil
			l.Barred = append(l.Barred, spans...)
		default:
			l.Loans = append(l.Loans, spans...)
		}
	}
	if t.State != tool.InService && !barredNow { // since before its changes were kept
		l.Barred = append(l.Barred, plot.Span{From: 0, Until: at(now), Use: plot.Barred, Words: strings.ReplaceAll(string(t.State), "_", " ") + ", since when is not known"})
	}
	for i, c := range slices.Backward(life.Calibrations.Items) {
		day := at(club.DayBegins(zone, c.On))
		if day >= 0 {
			l.Checks = append(l.Checks, plot.Check{At: day + 0.5, Words: "calibrated " + c.On.Format("2 Jan 2006")})
		}
		if i == 0 { // the newest is the one that counts
			l.Checks = append(l.Checks, plot.Check{At: at(club.DayBegins(zone, c.DueOn)) + 0.5, Due: true, Words: "due again " + c.DueOn.Format("2 Jan 2006")})
		}
	}
	return l
}

// GetWallChartPicture implements the contract.
func (s *Server) GetWallChartPicture(c echo.Context, _ InClub, params GetWallChartPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		weeks := or(params.Weeks, 4)
		// Which week it is depends on the garage, so more is asked for than is shown.
		first := dateIn(time.UTC, in.now)
		if params.From != nil {
			first = params.From.Time
		}
		var ref *postgres.Ref
		var garages *postgres.Rows[club.Garage]
		if params.Garage != nil {
			ref = pointerTo(postgres.ParseRef(*params.Garage))
			garages = club.FindGarage(b, *ref)
		}
		home := whereabouts.FindHomeZone(b, in.bearer.Holder(), in.bearer.Key())
		chart := whereabouts.QueueChart(b, ref, first.AddDate(0, 0, -8), first.AddDate(0, 0, 7*weeks+2))
		return func() (answer, error) {
			title, zoneName := "Tools of the club", "UTC"
			if len(home.Items) == 1 {
				zoneName = home.Items[0]
			}
			if garages != nil {
				g, err := garages.OneOf("?garage", *params.Garage, func(g club.Garage) string { return g.Code })
				if err != nil {
					return answer{}, err
				}
				title, zoneName = "Tools of "+g.Name, g.TimeZone
			}
			zone, err := time.LoadLocation(zoneName)
			if err != nil {
				return answer{}, fmt.Errorf("time zone: %w", err)
			}
			if params.From == nil {
				first = monday(dateIn(zone, in.now))
			}
			return drawnInClub(wallChartDrawing(title, chart, first, weeks, in.now, zone).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

func wallChartDrawing(title string, chart *whereabouts.Chart, first time.Time, weeks int, now time.Time, zone *time.Location) plot.WallChart {
	at := func(m time.Time) float64 { return whereabouts.Position(m, zone, first) }
	w := plot.WallChart{Title: title, Zero: first, Days: 7 * weeks, Now: at(now)}
	for d := range w.Days {
		w.Closed = append(w.Closed, chart.IsClosed(first.AddDate(0, 0, d)))
	}
	place := map[string]int{}
	for _, r := range chart.Rows() {
		row := plot.WallRow{Number: r.Number, Name: r.Name}
		if r.State != string(tool.InService) {
			row.Spans = append(row.Spans, plot.Span{From: max(0, w.Now), Until: float64(w.Days), Use: plot.Barred, Words: "in " + r.State + " until it is inspected"})
			row.Note = r.State
		}
		place[r.ID.String()] = len(w.Rows)
		w.Rows = append(w.Rows, row)
	}
	bars := slices.Clone(chart.Bars.Items)
	slices.SortStableFunc(bars, func(a, b whereabouts.Bar) int { return a.BeginsAt.Compare(b.BeginsAt) })
	out, late, promised := 0, 0, 0
	for _, b := range bars {
		i, shown := place[b.ToolID.String()]
		spans := slices.DeleteFunc(spansOf(b, at, now, zone), func(s plot.Span) bool { return s.Until <= 0 || s.From >= float64(w.Days) })
		if !shown || len(spans) == 0 {
			continue
		}
		w.Rows[i].Spans = append(w.Rows[i].Spans, spans...)
		switch {
		case b.Kind == "reserved":
			promised++
		case b.EndsAt == nil && b.DueAt.Before(now):
			late++
			w.Rows[i].Note = "late"
		case b.EndsAt == nil:
			out++
		}
	}
	w.Summary = fmt.Sprintf("%d out, %d late, %d promised.", out, late, promised)
	w.More = chart.IsCut()
	return w
}
