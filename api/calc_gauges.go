package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/calc/pluggauge"
	"pinwright/internal/calc/reamersize"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// holeAsked is a hole by size and class, or by its two limits.
type holeAsked struct {
	size, smallest, largest *LengthIn
	class                   *string
	otherwise               string // class where none is given
}

// hole is what holeAsked means.
type hole struct {
	least, greatest length.Length
	text            string // "10 mm H7"
	in              length.Unit
	source          string
}

// read finds the limits; faults stand below at.
func (a holeAsked) read(at string, units *Units) (hole, []problem.Fault) {
	fault := func(field, detail string) (hole, []problem.Fault) {
		return hole{}, []problem.Fault{{Pointer: at + field, Detail: detail}}
	}
	switch {
	case a.size != nil && (a.smallest != nil || a.largest != nil):
		return fault("/size", "belongs with a class; give size, or smallest with largest, not both")
	case a.size == nil && a.class != nil:
		return fault("/size", "is needed with a class")
	case a.size == nil && a.smallest == nil && a.largest == nil:
		return fault("/size", "is needed, with a tolerance class such as H7; or give smallest and largest")
	case a.size == nil && a.smallest == nil:
		return fault("/smallest", "is needed beside largest")
	case a.size == nil && a.largest == nil:
		return fault("/largest", "is needed beside smallest")
	}
	if a.size == nil {
		in := shownIn(*a.smallest, units).Unit()
		h := hole{least: a.smallest.Length(), greatest: a.largest.Length(), in: in, source: "the limits asked for"}
		h.text = h.least.Text(in) + " to " + h.greatest.Text(in)
		return h, nil
	}
	class := or(a.class, a.otherwise)
	zone, err := limits.HoleZone(class, a.size.Length())
	if err != nil {
		return hole{}, []problem.Fault{faultOf(at+limitsFault(err, "/class").Pointer, err)}
	}
	size := shownIn(*a.size, units)
	h := hole{in: size.Unit(), text: size.String() + " " + class, source: limits.Tables}
	if !zone.Printed {
		h.source = limits.Derived
	}
	h.least, h.greatest = zone.Of(a.size.Length())
	return h, nil
}

// usualHole is the class that is taken where none is given.
const usualHole = "H7"

var assumedHole = uncertainty.Remark{Code: "assumed_class", Text: "Holes without a class were taken as H7, what a reamer usually cuts (common practice, no published source)."}

// CalcReamerForHole implements the contract.
func (s *Server) CalcReamerForHole(c echo.Context, params CalcReamerForHoleParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ReamerForHoleIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		h, faults := holeAsked{ask.Size, ask.Smallest, ask.Largest, ask.Class, usualHole}.read("", params.Units)
		if faults != nil {
			return answer{}, problem.Invalid(faults...)
		}
		reamer, err := reamersize.ForHole(h.least, h.greatest)
		if err != nil {
			return answer{}, problem.Invalid(faultOf(holeFault(ask.Size), err))
		}
		if ask.Reamer != nil && (2*ask.Reamer.Length() < h.least || ask.Reamer.Length() > 2*h.greatest) {
			return answer{}, problem.Invalid(problem.Fault{Pointer: "/reamer", Detail: "is far from the hole; is the unit right?"})
		}
		out := reamerOut(h, reamer)
		if ask.Size != nil && ask.Class == nil {
			out.Assumed = append(out.Assumed, textOut(assumedHole))
		}
		if ask.Reamer != nil {
			verdict, text := reamerVerdict(reamer, shownIn(*ask.Reamer, params.Units))
			out.Verdict = &verdict
			out.Summary += " " + text
		}
		out.Explanation = explained(params.Explain, reamer.Derivation)
		return ok(out), nil
	})
}

// holeFault is the field that can mend a hole for which there is no tool.
func holeFault(size *LengthIn) string {
	if size != nil {
		return "/class"
	}
	return "/largest"
}

func reamerOut(h hole, r reamersize.Reamer) ReamerForHoleOut {
	unit := string(h.in)
	return ReamerForHoleOut{
		HoleSmallest: lengthOut(r.HoleLeast, unit), HoleLargest: lengthOut(r.HoleGreatest, unit),
		ReamerSmallest: lengthOut(r.Least, unit), ReamerLargest: lengthOut(r.Greatest, unit),
		Overcut: lengthOut(r.Overcut, unit), Tolerance: lengthOut(r.Tolerance, unit), Wear: lengthOut(r.Wear, unit),
		Rounding: "0.15 and 0.35 of the hole's tolerance, each rounded up to a whole micrometre",
		Source:   reamersize.Source + "; the hole: " + h.source,
		Summary:  fmt.Sprintf("A reamer for holes of %s measures %s to %s.", h.text, r.Least.Text(h.in), r.Greatest.Text(h.in)),
		Assumed:  []Text{},
		Warnings: textsOut([]uncertainty.Remark{{Code: "ream_a_test_hole", Text: "How far a reamer overcuts depends on material, coolant, machine and guidance: ream a test hole in the same material and measure it first (common practice, no published source)."}}),
	}
}

func reamerVerdict(r reamersize.Reamer, at length.Quantity) (ReamerForHoleOutVerdict, string) {
	switch size := at.Length(); {
	case size > r.Greatest:
		return "too_large", fmt.Sprintf("The reamer of %s is too large: it may cut over the hole's limit.", at)
	case size >= r.Least:
		return "within", fmt.Sprintf("The reamer of %s is within.", at)
	case size >= r.HoleLeast:
		return "worn_but_usable", fmt.Sprintf("The reamer of %s is below a new one's limits, but holes cannot come out too small unless the material closes in.", at)
	default:
		return "too_small", fmt.Sprintf("The reamer of %s is smaller than the smallest hole.", at)
	}
}

// CalcGaugesToTurn implements the contract.
func (s *Server) CalcGaugesToTurn(c echo.Context, params CalcGaugesToTurnParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[GaugesToTurnIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		practice := pluggauge.Practice{Tolerance: or(ask.ToleranceShare, pluggauge.TenPercentRule), Wear: or(ask.WearShare, pluggauge.UsualWear)}
		out := GaugesToTurnOut{Gauges: make([]GaugePair, 0, len(ask.Holes)), Source: pluggauge.SideSource}
		var remarks []uncertainty.Remark
		var pairs []pluggauge.Pair
		var names []string
		var faults []problem.Fault
		for i, asked := range ask.Holes {
			at := fmt.Sprintf("/holes/%d", i)
			h, wrong := holeAsked{asked.Size, asked.Smallest, asked.Largest, asked.Class, or(ask.Class, usualHole)}.read(at, params.Units)
			if wrong != nil {
				faults = append(faults, wrong...)
				continue
			}
			pair, err := pluggauge.For(h.least, h.greatest, practice)
			if err != nil {
				faults = append(faults, faultOf(at+holeFault(asked.Size), err))
				continue
			}
			if asked.Size != nil && asked.Class == nil && ask.Class == nil {
				remarks = append(remarks, assumedHole)
			}
			if pair.Go.Class == "" {
				out.Warnings = append(out.Warnings, textOut(uncertainty.Remark{Code: "no_gauge_class", Text: "The gauges for " + h.text + " reach no class of ASME B89.1.5; mark them with their measured sizes."}))
			}
			pairs, names = append(pairs, pair), append(names, or(asked.Name, h.text))
			out.Gauges = append(out.Gauges, gaugePairOut(asked.Name, h, pair))
		}
		if len(faults) > 0 {
			return answer{}, problem.Invalid(faults...)
		}
		out.Assumed = textsOut(append(remarks, practiceAssumed(ask)...))
		out.Warnings = append(out.Warnings, textsOut(turningAdvice)...)
		out.Summary = gaugesSummary(out.Gauges, names)
		out.Explanation = explained(params.Explain, func() []derivation.Step {
			var steps []derivation.Step
			for i, pair := range pairs {
				for _, step := range pair.Derivation() {
					step.Name = names[i] + ": " + step.Name
					steps = append(steps, step)
				}
			}
			return steps
		})
		return ok(out), nil
	})
}

func practiceAssumed(ask GaugesToTurnIn) []uncertainty.Remark {
	var out []uncertainty.Remark
	if ask.ToleranceShare == nil {
		out = append(out, uncertainty.Remark{Code: "assumed_tolerance_share", Params: []uncertainty.Param{{Name: "share", Value: pluggauge.TenPercentRule, Unit: "1"}},
			Text: "Each gauge was given a twentieth of the hole's tolerance: the ten percent rule, half to each (ASME B89.7.3.1 tells of the rule)."})
	}
	if ask.WearShare == nil {
		out = append(out, uncertainty.Remark{Code: "assumed_wear_share", Params: []uncertainty.Param{{Name: "share", Value: pluggauge.UsualWear, Unit: "1"}},
			Text: "A twentieth of the hole's tolerance was kept for the go gauge to wear (common practice, no published source)."})
	}
	return out
}

// turningAdvice is how a gauge is made so that its size means something.
var turningAdvice = []uncertainty.Remark{
	{Code: "measure_at_20_degrees", Text: "Let the gauge cool to 20 °C before the last measurement; measure with something surer than its tolerance, such as gauge blocks and a comparator (ISO 1; common practice)."},
	{Code: "turn_then_lap", Text: "A lathe seldom holds a few micrometres: turn a little over, then lap to size (common practice, no published source)."},
	{Code: "go_full_length", Text: "Make the go gauge as long as the bore and the no-go gauge short (Taylor's principle)."},
	{Code: "eye_protection", Text: "Wear eye protection, and no gloves or loose sleeves at the lathe; never hold emery cloth around a turning part by hand wrapped about it."},
}

func gaugePairOut(name *string, h hole, g pluggauge.Pair) GaugePair {
	unit := string(h.in)
	out := GaugePair{
		Name:         name,
		HoleSmallest: lengthOut(g.HoleLeast, unit), HoleLargest: lengthOut(g.HoleGreatest, unit),
		GoSmallest: lengthOut(g.Go.Least, unit), GoLargest: lengthOut(g.Go.Greatest, unit), GoRetireBelow: lengthOut(g.Retire, unit),
		NoGoSmallest: lengthOut(g.NoGo.Least, unit), NoGoLargest: lengthOut(g.NoGo.Greatest, unit),
		Tolerance: lengthOut(g.Tolerance, unit), Refused: lengthOut(g.Refused, unit),
	}
	reach := "no class of ASME B89.1.5"
	if g.Go.Class != "" {
		out.GoClass = pointerTo(GaugePairGoClass(g.Go.Class))
		reach = "class " + string(g.Go.Class)
	}
	if g.NoGo.Class != "" {
		out.NoGoClass = pointerTo(GaugePairNoGoClass(g.NoGo.Class))
	}
	out.Reason = fmt.Sprintf("Holes of %s: go plus from the smallest hole and %s for wear, no-go minus from the largest, %s each; so no bad hole passes, and up to %s of good ones are refused. Made so the go gauge reaches %s.",
		h.text, g.Wear.Text(h.in), g.Tolerance.Text(h.in), g.Refused.Text(h.in), reach)
	return out
}

func gaugesSummary(list []GaugePair, names []string) string {
	first := list[0]
	text := fmt.Sprintf("For %s turn the go gauge to %s to %s and the no-go gauge to %s to %s.", names[0],
		first.GoSmallest.Text, first.GoLargest.Text, first.NoGoSmallest.Text, first.NoGoLargest.Text)
	if more := len(list) - 1; more > 0 {
		text += fmt.Sprintf(" %d more follow.", more)
	}
	return text
}
