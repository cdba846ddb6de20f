package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/problem"
)

// entered shows a length just as it was sent.
func entered(q length.Quantity) Length {
	return Length{Value: json.Number(q.Value()), Unit: Unit(q.Unit()), Text: q.String()}
}

// shownIn is a length that was sent as the answer shows it: in the unit asked
// for, else just as it was sent.
func shownIn(q length.Quantity, unit *Units) length.Quantity {
	if unit == nil || length.Unit(*unit) == q.Unit() {
		return q
	}
	shown, err := q.Length().Quantity(length.Unit(*unit))
	if err != nil { // it was within the limit of a length when it was sent
		panic("api: " + err.Error())
	}
	return shown
}

// CalcLimits implements the contract.
func (s *Server) CalcLimits(c echo.Context, params CalcLimitsParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[LimitsIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		kind, find := LimitsOutKind("shaft"), limits.ShaftZone
		if unicode.IsUpper(rune(ask.Class[0])) {
			kind, find = "hole", limits.HoleZone
		}
		l, err := find(ask.Class, ask.Size.Length())
		if err != nil {
			return answer{}, problem.Invalid(limitsFault(err, "/class"))
		}
		size := shownIn(ask.Size, params.Units)
		unit := string(size.Unit())
		smallest, largest := l.Of(ask.Size.Length())
		out := LimitsOut{
			Size: entered(size), Class: ask.Class, Kind: kind,
			LowerDeviation: lengthOut(l.Lower, unit), UpperDeviation: lengthOut(l.Upper, unit),
			Smallest: lengthOut(smallest, unit), Largest: lengthOut(largest, unit), Tolerance: lengthOut(l.Width(), unit),
			Derived: !l.Printed, Rule: l.Rule.Formula(), Source: limits.Tables,
			Explanation: explained(params.Explain, func() []derivation.Step { return l.Derivation(ask.Size.Length()) }),
		}
		if out.Derived {
			out.Source = limits.Derived
		}
		out.Summary = fmt.Sprintf("A %s of %s in class %s may measure from %s to %s.", kind, size, ask.Class, out.Smallest.Text, out.Largest.Text)
		return ok(out), nil
	})
}

// limitsFault puts an error of package limits at the size or at the symbol.
func limitsFault(err error, symbol string) problem.Fault {
	if errors.Is(err, limits.ErrSize) {
		return faultOf("/size", err)
	}
	return faultOf(symbol, err)
}

// CalcFit implements the contract.
func (s *Server) CalcFit(c echo.Context, params CalcFitParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[FitIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		pair, source, err := fitAt(ask.Fit, ask.Size.Length())
		if err != nil {
			return answer{}, problem.Invalid(limitsFault(err, "/fit"))
		}
		size := shownIn(ask.Size, params.Units)
		unit := string(size.Unit())
		holeLeast, holeMost := pair.Hole.Of(pair.Size)
		shaftLeast, shaftMost := pair.Shaft.Of(pair.Size)
		return ok(FitOut{
			Size: entered(size), Fit: pair.Symbol(), Kind: FitOutKind(pair.Kind),
			HoleSmallest: lengthOut(holeLeast, unit), HoleLargest: lengthOut(holeMost, unit),
			ShaftSmallest: lengthOut(shaftLeast, unit), ShaftLargest: lengthOut(shaftMost, unit),
			ClearanceMin: lengthOut(pair.LeastClearance, unit), ClearanceMax: lengthOut(pair.GreatestClearance, unit),
			Source: source, Summary: fitSummary(pair, size),
			Explanation: explained(params.Explain, func() []derivation.Step { return pair.Derivation(source) }),
		}), nil
	})
}

// fitAt reads a symbol with a stroke as a pair of ISO classes, any other as an
// inch class.
func fitAt(symbol string, size length.Length) (limits.Pair, string, error) {
	if !strings.Contains(symbol, "/") {
		pair, err := limits.InchFit(symbol, size)
		if errors.Is(err, limits.ErrClass) {
			err = fmt.Errorf("%w; a metric fit is written hole/shaft, such as H7/g6", err)
		}
		return pair, limits.InchTables, err
	}
	fit, err := limits.ParseFit(symbol)
	if err != nil {
		return limits.Pair{}, "", err
	}
	source := limits.Tables
	if !limits.Printed(fit.Hole) || !limits.Printed(fit.Shaft) {
		source = limits.Derived
	}
	pair, err := fit.At(size)
	return pair, source, err
}

func fitSummary(p limits.Pair, size length.Quantity) string {
	unit := size.Unit()
	least, most := p.LeastClearance, p.GreatestClearance
	switch p.Kind {
	case limits.Clearance:
		return fmt.Sprintf("%s at %s always leaves room: %s to %s of clearance.", p.Symbol(), size, least.Text(unit), most.Text(unit))
	case limits.Interference:
		return fmt.Sprintf("%s at %s is always tight: %s to %s of interference.", p.Symbol(), size, most.Abs().Text(unit), least.Abs().Text(unit))
	}
	return fmt.Sprintf("%s at %s may fall either way: from %s of interference to %s of clearance.", p.Symbol(), size, least.Abs().Text(unit), most.Text(unit))
}
