package api

import (
	"errors"
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/fitsearch"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// CalcFitSearch implements the contract.
func (s *Server) CalcFitSearch(c echo.Context, params CalcFitSearchParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[FitSearchIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		q, assumed := ask.question()
		found, err := fitsearch.Search(q)
		if err != nil {
			return answer{}, problem.Invalid(ask.fault(q, err))
		}
		out := fitSearchOut(shownIn(ask.Size, params.Units), q, found)
		out.Size = entered(shownIn(ask.Size, params.Units))
		out.ClearanceMin, out.ClearanceMax = entered(shownIn(ask.ClearanceMin, params.Units)), entered(shownIn(ask.ClearanceMax, params.Units))
		out.Assumed = textsOut(assumed)
		out.Explanation = explained(params.Explain, func() []derivation.Step { return found.Derivation(q) })
		return ok(out), nil
	})
}

// question fills in what was left out and says what was assumed for it.
func (ask FitSearchIn) question() (fitsearch.Question, []uncertainty.Remark) {
	unit := ask.Size.Unit()
	q := fitsearch.Question{
		Size: ask.Size.Length(), Least: ask.ClearanceMin.Length(), Greatest: ask.ClearanceMax.Length(),
		Inch:  or(ask.System, "iso") == "inch",
		Basis: fitsearch.Basis(or(ask.Basis, "either")), Order: fitsearch.Order(or(ask.Order, "tightest")),
		Uncommon: or(ask.Classes, "common") == "all", Finest: or(ask.FinestGrade, 1), Limit: or(ask.Limit, 10),
	}
	var assumed []uncertainty.Remark
	if ask.System == nil {
		q.Inch = unit == length.Inch || unit == length.Thou
		name := "metric fits of ISO 286"
		if q.Inch {
			name = "inch fits of ASME B4.1"
		}
		assumed = append(assumed, uncertainty.Remark{Code: "assumed_system", Text: "Only " + name + " were looked through, as the size was sent in " + string(unit) + "; system asks for the other."})
	}
	if ask.Basis == nil && !q.Inch {
		assumed = append(assumed, uncertainty.Remark{Code: "assumed_basis", Text: "Fits of hole basis and of shaft basis were looked through; basis asks for one of them, or for every pair."})
	}
	if ask.Classes == nil && !q.Inch {
		assumed = append(assumed, uncertainty.Remark{Code: "assumed_classes", Text: "Only classes in common use were looked through; classes: all asks for every one."})
	}
	return q, assumed
}

func (ask FitSearchIn) fault(q fitsearch.Question, err error) problem.Fault {
	switch {
	case errors.Is(err, fitsearch.ErrSize):
		return faultOf("/size", err)
	case errors.Is(err, fitsearch.ErrWindow) && q.Least < -q.Size:
		return faultOf("/clearance_min", err)
	case errors.Is(err, fitsearch.ErrWindow):
		return faultOf("/clearance_max", err)
	}
	return faultOf("", err)
}

func fitSearchOut(size length.Quantity, q fitsearch.Question, found fitsearch.Answer) FitSearchOut {
	unit := size.Unit()
	out := FitSearchOut{
		System: "iso", Basis: FitSearchOutBasis(q.Basis), Order: FitSearchOutOrder(q.Order),
		Fits: []FoundFit{}, Misses: []FoundFit{}, Inside: found.Inside, Considered: found.Considered, Source: limits.Tables,
	}
	switch {
	case q.Inch:
		out.System, out.Source = "inch", limits.InchTables
	case q.Uncommon:
		out.Source = limits.Derived
	}
	for _, f := range found.Fits {
		out.Fits = append(out.Fits, foundOut(f, unit))
	}
	for _, f := range found.Misses {
		miss := foundOut(f, unit)
		miss.Below, miss.Above = pointerTo(lengthOut(f.Below, string(unit))), pointerTo(lengthOut(f.Above, string(unit)))
		miss.Reason = pointerTo(whyMissed(f, q, unit))
		out.Misses = append(out.Misses, miss)
	}
	if found.Considered > 0 {
		out.Narrowest = pointerTo(lengthOut(found.Narrowest, string(unit)))
	}
	out.Summary = fitSearchSummary(size, q, found)
	return out
}

func foundOut(f fitsearch.Found, in length.Unit) FoundFit {
	unit := string(in)
	holeLeast, holeMost := f.Hole.Of(f.Size)
	shaftLeast, shaftMost := f.Shaft.Of(f.Size)
	return FoundFit{
		Fit: f.Symbol(), Kind: FoundFitKind(f.Kind), Basis: FoundFitBasis(f.Basis), Common: f.Common,
		ClearanceMin: lengthOut(f.LeastClearance, unit), ClearanceMax: lengthOut(f.GreatestClearance, unit),
		HoleSmallest: lengthOut(holeLeast, unit), HoleLargest: lengthOut(holeMost, unit),
		ShaftSmallest: lengthOut(shaftLeast, unit), ShaftLargest: lengthOut(shaftMost, unit),
	}
}

func whyMissed(f fitsearch.Found, q fitsearch.Question, unit length.Unit) string {
	var why []string
	if f.Below > 0 {
		why = append(why, "leaves "+f.Below.Text(unit)+" less than wanted at the tight end")
	}
	if f.Above > 0 {
		why = append(why, "leaves "+f.Above.Text(unit)+" more than wanted at the loose end")
	}
	if wanted := q.Greatest - q.Least; f.Width() > wanted {
		why = append(why, "its tolerances together take "+f.Width().Text(unit)+" where "+wanted.Text(unit)+" are allowed")
	}
	return strings.Join(why, "; ")
}

func fitSearchSummary(size length.Quantity, q fitsearch.Question, found fitsearch.Answer) string {
	unit := size.Unit()
	window := fmt.Sprintf("%s to %s at %s", q.Least.Text(unit), q.Greatest.Text(unit), size)
	switch {
	case found.Inside > 0:
		best := found.Fits[0]
		text := fmt.Sprintf("%d of %d standard fits keep %s; the first is %s, which leaves %s to %s.", found.Inside, found.Considered, window,
			best.Symbol(), best.LeastClearance.Text(unit), best.GreatestClearance.Text(unit))
		if found.Inside > len(found.Fits) {
			text += fmt.Sprintf(" The first %d are told.", len(found.Fits))
		}
		return text
	case found.Considered == 0 && q.Inch:
		return "All inch fits of ASME B4.1 that are served are of the hole basis; ask for basis hole."
	case found.Considered == 0:
		return "No class is as coarse as finest_grade asks; lower it, or ask for all classes."
	case q.Greatest-q.Least < found.Narrowest:
		return fmt.Sprintf("No standard fit keeps %s: the finest tolerances looked through take %s together, more than the %s between the ends. Widen it, allow finer grades, or fit the parts to each other by selection.",
			window, found.Narrowest.Text(unit), (q.Greatest - q.Least).Text(unit))
	}
	return fmt.Sprintf("No standard fit of the %d looked through keeps %s; the nearest is %s, which %s.", found.Considered, window, found.Misses[0].Symbol(), whyMissed(found.Misses[0], q, unit))
}
