package reaming

import (
	"fmt"
	"math"

	"pinwright/internal/calc/derivation"
)

// Point is a life that was seen: the cutting speed, in any unit, and the minutes
// that the edge lasted.
type Point struct{ Speed, Minutes float64 }

// ToolLife is Taylor's law v T^n = C through two points; C has the unit of speed,
// since it is the speed of one minute's life.
type ToolLife struct {
	N, C float64
	From [2]Point
}

// Taylor puts the law through two points. ErrInput tells of points that are no
// numbers over 0, or of which the faster did not last less. Source: F. W. Taylor,
// On the Art of Cutting Metals, 1907.
func Taylor(a, b Point) (ToolLife, error) {
	for _, v := range []float64{a.Speed, a.Minutes, b.Speed, b.Minutes} {
		if !(v > 0) || math.IsInf(v, 0) {
			return ToolLife{}, fmt.Errorf("%w: speeds and lives must be over 0", ErrInput)
		}
	}
	n := math.Log(a.Speed/b.Speed) / math.Log(b.Minutes/a.Minutes)
	if !(n > 0) || math.IsInf(n, 0) {
		return ToolLife{}, fmt.Errorf("%w: the faster of two speeds must last less; these are %v for %v min and %v for %v min", ErrInput, a.Speed, a.Minutes, b.Speed, b.Minutes)
	}
	c := a.Speed * math.Pow(a.Minutes, n)
	if math.IsInf(c, 0) || c == 0 {
		return ToolLife{}, fmt.Errorf("%w: the two lives are too alike for their speeds", ErrInput)
	}
	return ToolLife{N: n, C: c, From: [2]Point{a, b}}, nil
}

// Minutes is the life at a speed over 0.
func (l ToolLife) Minutes(speed float64) float64 { return math.Pow(l.C/speed, 1/l.N) }

// Beyond tells whether a speed lies outside the two that are known.
func (l ToolLife) Beyond(speed float64) bool {
	return speed < math.Min(l.From[0].Speed, l.From[1].Speed) || speed > math.Max(l.From[0].Speed, l.From[1].Speed)
}

// Derivation tells how the life at a speed came about; unit is the speeds' UCUM code.
func (l ToolLife) Derivation(speed float64, unit string) []derivation.Step {
	const source = "F. W. Taylor, On the Art of Cutting Metals, 1907"
	number := derivation.Number
	points := []derivation.Value{number("v_1", "first speed", l.From[0].Speed, unit), number("T_1", "its life", l.From[0].Minutes, "min"),
		number("v_2", "second speed", l.From[1].Speed, unit), number("T_2", "its life", l.From[1].Minutes, "min")}
	n, c := number("n", "exponent", l.N, "1"), number("C", "speed of one minute's life", l.C, unit)
	return []derivation.Step{
		{Name: "exponent of tool life", Formula: "n = ln(v_1 / v_2) / ln(T_2 / T_1)", Inputs: points, Result: n, Source: source},
		{Name: "constant of tool life", Formula: "C = v_1 T_1^n", Inputs: append(points[:2:2], n), Result: c, Source: source},
		{Name: "tool life", Formula: "T = (C / v)^(1 / n)", Inputs: []derivation.Value{c, n, number("v", "speed asked for", speed, unit)},
			Result: number("T", "life at that speed", l.Minutes(speed), "min"), Source: source},
	}
}
