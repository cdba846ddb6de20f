package api

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/length"
	"pinwright/internal/cutting"
	"pinwright/internal/pinseries"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// GetCutSize implements the contract.
func (s *Server) GetCutSize(c echo.Context, _ InClub, name InTool, params GetCutSizeParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueCutSize(b, name, params)
		return func() (answer, error) {
			a, err := read()
			if err != nil {
				return answer{}, err
			}
			return ok(cutSizeOut(a, in.caller.Units)), nil
		}
	})
}

// GetCutSizePicture implements the contract.
func (s *Server) GetCutSizePicture(c echo.Context, _ InClub, name InTool, params GetCutSizePictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueCutSize(b, name, GetCutSizeParams{Risk: params.Risk, Depth: params.Depth, Guidance: (*GetCutSizeParamsGuidance)(params.Guidance), Material: (*GetCutSizeParamsMaterial)(params.Material),
			Lubricant: (*GetCutSizeParamsLubricant)(params.Lubricant), PinSeries: params.PinSeries, LeastClearance: params.LeastClearance, Needed: params.Needed})
		return func() (answer, error) {
			a, err := read()
			if err != nil {
				return answer{}, err
			}
			return drawnInClub(cutSizeDrawing(a, in.caller.Units).SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// queueCutSize asks for what is known of a reamer; read, once the batch was sent, answers.
func queueCutSize(b *postgres.Batch, name string, params GetCutSizeParams) (read func() (cutting.Answer, error)) {
	ref := postgres.ParseRef(name)
	tools, known, steps := tool.Find(b, ref), cutting.Queue(b, ref), cutting.QueueSteps(b, ref, refOf(params.PinSeries))
	var series *postgres.Rows[pinseries.Series]
	if params.PinSeries != nil {
		series = pinseries.Find(b, postgres.ParseRef(*params.PinSeries))
	}
	return func() (cutting.Answer, error) {
		t, err := tools.One()
		if err != nil {
			return cutting.Answer{}, err
		}
		q := cutting.Question{Ask: cutting.Ask{Guidance: string(or(params.Guidance, ""))}, Risk: or(params.Risk, 0.05), Material: (*string)(params.Material), Lubricant: (*string)(params.Lubricant)}
		var faults []problem.Fault
		if series != nil && len(series.Items) == 0 {
			faults = append(faults, problem.Fault{Pointer: "?pin_series", Detail: "there is no such pin series in this club; GET pin-series for their codes"})
		}
		for _, one := range []struct {
			name  string
			given *string
			into  **length.Length
			least bool
		}{{"?depth", params.Depth, &q.Depth, true}, {"?least_clearance", params.LeastClearance, &q.Clearance, false}, {"?needed", params.Needed, &q.Needed, true}} {
			if one.given == nil {
				continue
			}
			given, err := length.Parse(*one.given)
			switch {
			case err != nil:
				faults = append(faults, faultOf(one.name, err))
			case one.least && given.Length() <= 0:
				faults = append(faults, problem.Fault{Pointer: one.name, Detail: "must be greater than zero"})
			case math.Abs(given.Length().Micrometres()) > 1e6:
				faults = append(faults, problem.Fault{Pointer: one.name, Detail: "must be less than a metre"})
			default:
				*one.into = pointerTo(given.Length())
			}
		}
		if len(faults) > 0 {
			return cutting.Answer{}, problem.Invalid(faults...)
		}
		reamers := known.Reamers(q.Ask)
		if len(reamers) == 0 {
			return cutting.Answer{}, problem.New(problem.NotAllowedNow, "%s is no reamer, so it has no cut size. GET its model's life for how long such tools last, or its chart for how it drifts.", t.Number)
		}
		return reamers[0].Answer(q, steps.Items)
	}
}

func cutSizeOut(a cutting.Answer, units string) CutSize {
	r, unit := a.Reamer, length.Unit(units)
	marked := r.Marked.Micrometres()
	over := func(um float64) Length { return micrometresOut(marked+um, units) }
	out := CutSize{ToolId: r.ToolID, Number: r.Number, Marked: lengthOut(r.Marked, units), NextHole: over(a.Mean), Low: over(a.Low), High: over(a.High),
		SharedU: micrometresOut(a.Shared, units), Scatter: micrometresOut(a.Scatter, units), RateUmPerM: fine(a.Rate), RateLow: fine(a.RateLow), RateHigh: fine(a.RateHigh),
		EachM: fine(a.Each), Risk: a.Question.Risk, Life: len(r.Lives), PriorOnly: r.Now().Seen() == 0, Cuts: a.Cuts, CheckCuts: a.Checks, CutterReadings: a.Readings, HolesNotVerified: a.Unseen,
		Lives: []CutLife{}, Steps: each(a.Steps, func(s cutting.StepLeft) CutSizeStep { return cutStepOut(s, units) }), Events: []CutEvent{}, Chart: chartOut(a.Chart, 1), Warnings: []Text{}, Assumed: []Text{}}
	charted := len(a.Charted)
	for i, l := range r.Lives {
		life := CutLife{Holes: l.Holes, TravelM: fine(l.Travel), Seen: l.Seen(), Cuts: over(l.Next().Mean())}
		if l.By != "" {
			life.BegunBy, life.BeganAt = pointerTo(CutLifeBegunBy(l.By)), pointerTo(l.Began.UTC())
		}
		out.Lives = append(out.Lives, life)
		for _, e := range l.Events {
			out.Events = append(out.Events, CutEvent{Kind: CutEventKind(e.Kind), At: e.At.UTC(), Life: i + 1, TravelM: fine(e.Travel), Size: over(e.Size), U: micrometresOut(e.U, units), Expected: over(e.Expected), Residual: fine(e.Surprise)})
		}
	}
	out.Events = out.Events[len(out.Events)-charted:]
	for i := range out.Chart.Points {
		out.Chart.Points[i].On = &openapi_types.Date{Time: a.Charted[i].At.UTC()}
	}
	out.Chart.Assumed = append(out.Chart.Assumed, Text{Code: "assumed_standard_residuals", Text: "Residuals were judged by a centre of 0 and a sigma of 1, which they have as long as the reamer wears as it did."})
	if a.Asked != nil {
		out.Asked = pointerTo(cutStepOut(*a.Asked, units))
	}
	out.Summary = cutSizeSummary(a, unit)
	cutSizeRemarks(&out, a)
	return out
}

func cutStepOut(s cutting.StepLeft, units string) CutSizeStep {
	out := CutSizeStep{Ends: "not_known"}
	if s.Code != "" {
		duty := CutSizeStepDuty("held")
		if s.Running {
			duty = "running"
		}
		out.PinSeriesId, out.PinSeries, out.Step, out.Duty = &s.SeriesID, &s.SeriesCode, &s.Code, &duty
	}
	if s.Needed == nil {
		return out
	}
	out.Needed, out.ProbabilityTooSmall = pointerTo(lengthOut(*s.Needed, units)), pointerTo(fine(s.TooSmall))
	if out.Ends = "told"; s.Holes < 0 {
		out.Ends = "no_end_in_sight"
	} else {
		out.HolesLeft = &s.Holes
	}
	return out
}

// cutSizeSummary says what a tells in a few sentences.
// wornOff tells what a metre takes off to two digits: less than lengths are shown by.
func wornOff(um float64, unit length.Unit) string {
	v := um * 1000 / float64(unit.Length())
	decimals := 0
	if v > 0 {
		decimals = max(0, 1-int(math.Floor(math.Log10(v))))
	}
	return strconv.FormatFloat(v, 'f', decimals, 64) + " " + string(unit)
}

func cutSizeSummary(a cutting.Answer, unit length.Unit) string {
	r := a.Reamer
	text := func(um float64) string { return micrometresOut(r.Marked.Micrometres()+um, string(unit)).Text }
	out := fmt.Sprintf("The next hole of %s is expected at %s, between %s and %s with 95 %%; a metre of cut takes off %s.", r.Number, text(a.Mean), text(a.Low), text(a.High), wornOff(a.Rate, unit))
	if len(a.Chart.Signals) > 0 {
		out += fmt.Sprintf(" The chart has %s: look what changed.", plural(len(a.Chart.Signals), "signal"))
	}
	for _, s := range a.Steps {
		switch {
		case s.Needed == nil:
		case s.Holes == 0:
			out += fmt.Sprintf(" It is worn out for %s %s.", s.SeriesCode, s.Code)
		case s.Holes > 0:
			out += fmt.Sprintf(" For %s %s it has %s left.", s.SeriesCode, s.Code, plural(s.Holes, "hole"))
		default:
			out += fmt.Sprintf(" For %s %s no end is in sight.", s.SeriesCode, s.Code)
		}
	}
	return out
}

func cutSizeRemarks(out *CutSize, a cutting.Answer) {
	say := func(list *[]Text, code, format string, args ...any) {
		*list = append(*list, Text{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if out.PriorOnly {
		say(&out.Warnings, "nothing_seen", "Nothing that %s cut in this life was measured: all of this rests on what such reamers usually do. Cut a hole to find out, or name the reamer when a cut is verified.", out.Number)
	}
	if last := len(a.Charted); last > 0 && len(a.Chart.Points[last-1].Rules) > 0 {
		say(&out.Warnings, "signal_at_the_newest", "A rule is met at the newest point: do not trust the holes left before a check cut confirms the size.")
	}
	if len(a.Steps) == 0 && a.Asked == nil {
		say(&out.Warnings, "serves_no_step", "No step of a pin series names its size, so there is nothing to count holes for; give `needed`.")
	}
	say(&out.Assumed, "assumed_prior", "Before anything was seen a reamer was taken to cut its marked size, give or take %.0f µm, and to lose %.2g µm a metre, give or take %.2g µm (common practice, no published source).", a.Reamer.Doubt(), a.Reamer.Now().Law.Prior.Rate, a.Reamer.Now().Law.Prior.RateU)
	if a.Question.Depth == nil {
		say(&out.Assumed, "assumed_depth", "Holes to come, and those of which no depth is on record, were taken as 20 mm deep (common practice, no published source).")
	}
	if a.Weighed {
		say(&out.Assumed, "assumed_hardship", "Metres were counted by how hard they are to cut: low carbon steel with cutting oil once, dry twice but for cast iron and brass, harder metals more and softer ones less (common practice, no published source); GET reports/wear-by-cutting for what the club's own reamers tell.")
	}
	if a.ClearanceWasAssumed {
		say(&out.Assumed, "assumed_least_clearance", "The hole was taken to need half a thousandth of an inch over the greatest pin (common practice, no published source).")
	}
	if a.Reamer.Now().By == cutting.Sharpened {
		say(&out.Assumed, "assumed_sharpened_size", "Sharpening the chamfer was taken not to restore the size: this life began with what the last one cut, in doubt as that of a new reamer.")
	}
	if a.Question.Guidance != "" {
		say(&out.Assumed, "assumed_guidance_doubt", "What was cut under another guidance was taken to tell of this one, but for 2 µm more doubt (common practice, no published source).")
	}
}

// bandPoints is over how many places the band of a life is drawn.
const bandPoints = 24

// cutSizeDrawing is what the picture of a shows. x is millimetres cut since the reamer was new, each as often as its cutting wears.
func cutSizeDrawing(a cutting.Answer, units string) plot.History {
	unit, marked := length.Unit(units), a.Reamer.Marked.Micrometres()
	size := func(um float64) float64 { return um * 1000 / float64(unit.Length()) } // of micrometres
	h := plot.History{Title: "Cut size of " + a.Reamer.Number, Summary: cutSizeSummary(a, unit), Unit: units, UnitX: "mm cut", Limit: math.NaN(), Crossing: math.NaN(), Coverage: cutting.Coverage}
	from := 0.0
	for i, l := range a.Reamer.Lives {
		end := l.Travel
		if i == len(a.Reamer.Lives)-1 { // a little of what is to come
			end += math.Max(0.25*l.Travel, 10*a.Each)
		}
		if i > 0 {
			h.Starts = append(h.Starts, plot.Start{X: 1000 * from, Text: fmt.Sprintf("%s, %s", l.By, l.Began.UTC().Format("2006-01-02"))})
		}
		for _, e := range l.Events {
			h.Points = append(h.Points, plot.Spot{X: 1000 * (from + e.Travel), Y: size(marked + e.Size), U: size(expansion * e.U), Segment: i})
		}
		if l.Seen() > 0 || i == len(a.Reamer.Lives)-1 {
			var line plot.Line
			for k := range bandPoints + 1 {
				at := end * float64(k) / bandPoints
				law := l.Law.CutSize(at)
				line.X, line.Mean = append(line.X, 1000*(from+at)), append(line.Mean, size(marked+law.Mean()))
				line.Low, line.High = append(line.Low, size(marked+law.Quantile((1-cutting.Coverage)/2))), append(line.High, size(marked+law.Quantile((1+cutting.Coverage)/2)))
			}
			h.Lines = append(h.Lines, line)
		}
		from += l.Travel
	}
	levels := map[string]bool{}
	steps := slices.Clone(a.Steps)
	if a.Asked != nil {
		steps = append(steps, *a.Asked)
	}
	for _, s := range steps {
		if s.Needed == nil {
			continue
		}
		text := "least for " + s.SeriesCode + " " + s.Code + ": " + lengthOut(*s.Needed, units).Text
		if s.Code == "" {
			text = "least asked for: " + lengthOut(*s.Needed, units).Text
		}
		if !levels[text] {
			levels[text] = true
			h.Levels = append(h.Levels, plot.Level{Y: size(s.Needed.Micrometres()), Text: text})
		}
	}
	return h
}
