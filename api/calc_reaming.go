package api

import (
	"errors"
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/reaming"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

const (
	feetPerMetre = 1 / 0.3048
	speedLow     = "; lower end: TM 1-420, 37, half the speed of drilling"
	feedSource   = "0.002 to 0.003 in for each flute and turn, a toolmaker's page"
)

// CalcReaming implements the contract.
func (s *Server) CalcReaming(c echo.Context, params CalcReamingParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ReamingIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		diameter := shownIn(ask.Diameter, params.Units)
		if err := ask.check(); err != nil {
			return answer{}, err
		}
		advice, err := reaming.Advise(ask.question())
		if err != nil {
			return answer{}, problem.Invalid(faultOf(reamingField(err), err))
		}
		out := reamingOut(advice, diameter)
		steps := advice.Derivation
		if ask.ToolLife != nil {
			life, at, err := ask.ToolLife.life(advice)
			if err != nil {
				return answer{}, problem.Invalid(faultOf("/tool_life", err))
			}
			out.ToolLife = &ToolLifeOut{N: significant(life.N), CMMin: significant(life.C), SpeedMMin: significant(at), Minutes: significant(life.Minutes(at)), Extrapolated: life.Beyond(at)}
			if out.ToolLife.Extrapolated {
				out.Warnings = append(out.Warnings, Text{Code: "tool_life_extrapolated", Text: "The speed lies outside the two that are known; its tool life is a guess."})
			}
			steps = func() []derivation.Step { return append(advice.Derivation(), life.Derivation(at, "m/min")...) }
		}
		out.Explanation = explained(params.Explain, steps)
		return ok(out), nil
	})
}

// check bounds the lengths, which the contract cannot.
func (ask ReamingIn) check() error {
	var faults []problem.Fault
	most := length.FromMicrometres(reaming.Largest * 1000)
	if d := ask.Diameter.Length(); d < length.FromMicrometres(reaming.Smallest*1000) || d > most {
		faults = append(faults, problem.Fault{Pointer: "/diameter", Detail: fmt.Sprintf("must be from %v mm to %v mm; is the unit right?", reaming.Smallest, reaming.Largest)})
	}
	if b := ask.Bore; b != nil && (b.Length() <= 0 || b.Length() >= ask.Diameter.Length()) {
		faults = append(faults, problem.Fault{Pointer: "/bore", Detail: "must be over nothing and below the reamer's diameter, or there is nothing to cut; is the unit right?"})
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return nil
}

func (ask ReamingIn) question() reaming.Question {
	q := reaming.Question{
		Diameter: ask.Diameter.Length().Millimetres(), Work: reaming.Work(ask.Work), HB: or(ask.HardnessHb, 0),
		Tool: reaming.Tool(or(ask.Tool, "")), Drive: reaming.Drive(or(ask.Drive, "")), Flutes: or(ask.Flutes, 0), SpindleSpeeds: or(ask.SpindleSpeeds, nil),
	}
	if ask.Bore != nil {
		q.Bore = ask.Bore.Length().Millimetres()
	}
	return q
}

func reamingField(err error) string {
	switch {
	case errors.Is(err, reaming.ErrHardness):
		return "/hardness_hb"
	case errors.Is(err, reaming.ErrWork):
		return "/work"
	}
	return ""
}

// life puts Taylor's law through the two points and says at which speed it is asked.
func (in ToolLifeIn) life(a reaming.Advice) (reaming.ToolLife, float64, error) {
	l, err := reaming.Taylor(reaming.Point{Speed: in.First.SpeedMMin, Minutes: in.First.Minutes}, reaming.Point{Speed: in.Second.SpeedMMin, Minutes: in.Second.Minutes})
	if err != nil {
		return l, 0, err
	}
	at := or(in.AtSpeedMMin, a.Speed.Greatest)
	if t := l.Minutes(at); !(t > 0 && t < 1e12) {
		return l, at, fmt.Errorf("%w: so far from both speeds no life can be told; give speeds nearer to %.4g m/min", reaming.ErrInput, at)
	}
	return l, at, nil
}

func reamingOut(a reaming.Advice, diameter length.Quantity) ReamingOut {
	unit := string(diameter.Unit())
	mm := func(v float64) Length { return micrometresOut(1000*v, unit) }
	out := ReamingOut{
		Material: a.Row.Name, Diameter: entered(diameter), SpeedSource: a.Row.Source,
		CuttingSpeedMMin: speedRange(a.Speed, 1), CuttingSpeedFtMin: speedRange(a.Speed, feetPerMetre),
		Stock: CutRange{Least: mm(a.Stock.Least), Greatest: mm(a.Stock.Greatest)}, StockSource: a.StockFrom,
		Coolant: sourcedOut(a.Coolant), Technique: []SourcedText{}, Cautions: []SourcedText{}, Assumed: textsOut(a.Assumed),
	}
	if a.Speed.Least > 0 {
		out.SpeedSource += speedLow
	}
	if a.Row.ToHB > 0 {
		out.HardnessFromHb, out.HardnessToHb = &a.Row.FromHB, &a.Row.ToHB
	}
	if a.Spindle.Greatest > 0 {
		out.SpindleSpeed = pointerTo(speedRange(a.Spindle, 1))
	}
	if a.Set > 0 {
		out.SetSpindleSpeed = &a.Set
	}
	if a.Feed.Greatest > 0 {
		out.Feed = &CutRange{Least: mm(a.Feed.Least), Greatest: mm(a.Feed.Greatest)}
		out.FeedMmMin, out.FeedSource = pointerTo(speedRange(a.FeedRate, 1)), pointerTo(feedSource)
	}
	warnings := a.Warnings
	if a.Removed > 0 {
		out.StockAtHand, out.Cuts = pointerTo(mm(a.Removed)), &a.Cuts
		out.StockVerdict = pointerTo(ReamingOutStockVerdict(a.Verdict))
		warnings = append(warnings, stockWarning(a, out)...)
	}
	for _, r := range a.Technique {
		out.Technique = append(out.Technique, sourcedOut(r))
	}
	for _, r := range a.Cautions {
		out.Cautions = append(out.Cautions, sourcedOut(r))
	}
	out.Warnings = textsOut(warnings)
	out.Summary = reamingSummary(a, out)
	return out
}

func stockWarning(a reaming.Advice, out ReamingOut) []uncertainty.Remark {
	switch a.Verdict {
	case reaming.TooLittle:
		return []uncertainty.Remark{{Code: "too_little_stock", Text: "Only " + out.StockAtHand.Text + " are left to cut: the reamer will rub, harden the wall and wear; take a larger size, or hone."}}
	case reaming.TooMuch:
		return []uncertainty.Remark{{Code: "too_much_stock", Text: fmt.Sprintf("%s are more than one cut: drill or ream in %d steps, and leave %s to %s for the last.", out.StockAtHand.Text, a.Cuts, out.Stock.Least.Text, out.Stock.Greatest.Text)}}
	}
	return nil
}

// speedRange shows a range times scale; a lower end of 0 is none.
func speedRange(r reaming.Range, scale float64) CutSpeedRange {
	out := CutSpeedRange{Greatest: significant(r.Greatest * scale)}
	if r.Least > 0 {
		out.Least = pointerTo(significant(r.Least * scale))
	}
	return out
}

func sourcedOut(r reaming.Remark) SourcedText {
	return SourcedText{Code: r.Code, Text: r.Text, Source: r.Source}
}

func reamingSummary(a reaming.Advice, out ReamingOut) string {
	var s strings.Builder
	fmt.Fprintf(&s, "Reaming %s in %s: ", out.Diameter.Text, a.Row.Name)
	switch {
	case a.Question.Drive == reaming.Hand:
		s.WriteString("turn by hand, slowly and steadily")
	case a.Set > 0:
		fmt.Fprintf(&s, "set the spindle to %.4g turns a minute", a.Set)
	case len(a.Question.SpindleSpeeds) > 0:
		s.WriteString("by hand, since the machine is too fast")
	case a.Spindle.Least > 0 && a.Spindle.Least < a.Spindle.Greatest:
		fmt.Fprintf(&s, "%.0f to %.0f turns a minute", a.Spindle.Least, a.Spindle.Greatest)
	default:
		fmt.Fprintf(&s, "at most %.0f turns a minute", a.Spindle.Greatest)
	}
	if out.Feed != nil {
		fmt.Fprintf(&s, ", feed %s to %s a turn", out.Feed.Least.Text, out.Feed.Greatest.Text)
	}
	fmt.Fprintf(&s, ", leave %s to %s to cut. Forward only, also on the way out.", out.Stock.Least.Text, out.Stock.Greatest.Text)
	return s.String()
}
