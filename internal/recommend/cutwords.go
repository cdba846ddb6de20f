package recommend

import (
	"fmt"
	"math"

	"pinwright/internal/calc/choice"
)

// Cuts says whether an option takes metal away.
func Cuts(o choice.Option) bool {
	switch o.Kind {
	case choice.ReamTo, choice.CutSmallerAndLook, choice.HoneTo, choice.BushBack:
		return true
	}
	return false
}

// GuidanceText says how the cut of joint j finds its axis and what that costs.
func (a *Answer) GuidanceText(j int) string {
	one := a.Problem.Joints[j]
	w := speak{a.Question.Unit}
	switch {
	case one.Guidance == choice.Floating || one.Guidance == "":
		return "The reamer floats and follows the worn bore: nothing is lost, and the axis stays where the wear has put it."
	case one.Offset > 0:
		return fmt.Sprintf("Led by %s the cut keeps the original axis and must reach half the ovality further on the worn side, and %s for the error of its guidance.", guidanceWords[one.Guidance], w.size(one.Offset))
	}
	return fmt.Sprintf("Led by %s the cut keeps the original axis and must reach half the ovality further on the worn side.", guidanceWords[one.Guidance])
}

// PassText says one cut: the first of several, the only one or the last.
func (a *Answer) PassText(p choice.Pass, i, of int) string {
	w := speak{a.Question.Unit}
	what := fmt.Sprintf("with %s to %s", p.Code, w.size(a.Nominal.Micrometres()+p.Diameter))
	if p.Code == "" {
		what = fmt.Sprintf("with a drill or boring bar to about %s", w.size(a.Nominal.Micrometres()+p.Diameter))
	}
	text := fmt.Sprintf("Cut %s", what)
	if of > 1 {
		text = fmt.Sprintf("Cut %d of %d: %s", i+1, of, what)
	}
	if p.Allowance <= 0 {
		return text + "; on average nothing is left for it to cut."
	}
	return fmt.Sprintf("%s, taking about %s at the tightest place.", text, w.size(p.Allowance))
}

// PressText says what pushing the pin into its held bore takes.
func (a *Answer) PressText(p choice.Press) string {
	with := "none of the common presses surely does"
	if p.Means != "" {
		with = "enough: " + p.Means
	}
	hand := map[bool]string{true: "a clamp worked by hand does it", false: "more than a clamp worked by hand surely gives"}[p.Hand == "yes"]
	text := fmt.Sprintf("Pushing the pin into one held bore takes about %.0f N, up to %.0f N (%s; %s).", round2(p.Force.Mean), round2(p.Force.High), hand, with)
	if !p.Learned {
		text += fmt.Sprintf(" The bore is then strained to about %.0f MPa.", p.Stress)
	}
	return text
}

// round2 keeps two digits of a force: no more is known of it.
func round2(x float64) float64 {
	if x <= 0 {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(x))-1)
	return math.Round(x/unit) * unit
}
