package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrInput is wrapped by every error about an input that cannot be used; the
// error says which and what it should be.
var ErrInput = errors.New("input cannot be used")

// Coverage is the coverage probability that is reported when none is asked for.
const Coverage = 0.95

// Infinite are the degrees of freedom of an uncertainty that is known exactly.
var Infinite = math.Inf(1)

// judged are the degrees of freedom of an uncertainty known to about a quarter:
// (1/2)(1/4)^-2, JCGM 100, G.4.2.
const judged = 8

// Distribution is the law behind a standard uncertainty. It is reported, not used:
// the combined result is taken as normal or Student's t.
type Distribution string

// The laws of JCGM 100, 4.3.
const (
	Normal      Distribution = "normal"
	Rectangular Distribution = "rectangular"
	Triangular  Distribution = "triangular"
	UShaped     Distribution = "u_shaped"
)

// Standard returns the standard uncertainty of a law bounded at plus and minus
// halfWidth about its middle: divided by √3, √6 or √2 (JCGM 100, 4.3.7 to 4.3.9).
// For Normal, halfWidth is taken as the 95 % bound and divided by 1.96.
func Standard(d Distribution, halfWidth float64) float64 {
	switch d {
	case Rectangular:
		return halfWidth / math.Sqrt(3)
	case Triangular:
		return halfWidth / math.Sqrt(6)
	case UShaped:
		return halfWidth / math.Sqrt2
	}
	return halfWidth / coverageFactor(Infinite, Coverage)
}

// Part says how an effect behaves when readings are combined.
type Part string

// The parts; Bias is a one-sided error of the method.
const (
	Shared      Part = "shared"
	Independent Part = "independent"
	Bias        Part = "bias"
)

// Input is one quantity on which the result depends.
type Input struct {
	Name         string
	Estimate     float64 // in the input's own unit
	U            float64 // standard uncertainty, same unit, 0 or more
	Sensitivity  float64 // unit of the result per unit of the input
	DoF          float64 // degrees of freedom, over 0, or Infinite
	Distribution Distribution
	Part         Part // empty in budgets that do not tell parts apart
}

// Line is what one input adds: |sensitivity| times its standard uncertainty, in the
// unit of the result, and the share of the combined variance (0 to 1).
type Line struct {
	Input
	Contribution float64
	Share        float64
}

// Budget is the combined result, in the unit of the result.
type Budget struct {
	Lines    []Line
	U        float64 // combined standard uncertainty
	DoF      float64 // effective degrees of freedom, Infinite when all inputs' are
	K        float64 // coverage factor
	Expanded float64 // K times U
	Coverage float64 // coverage probability of Expanded
}

// Combine adds up inputs that are not correlated, at a coverage probability over 0
// and below 1. The lines keep the order of the inputs. ErrInput tells of an input
// that is negative, not a number or without degrees of freedom.
// Source: JCGM 100:2008, 5.1.2 and annex G.
func Combine(inputs []Input, coverage float64) (Budget, error) {
	if !(coverage > 0 && coverage < 1) {
		return Budget{}, fmt.Errorf("%w: coverage probability %v; use one over 0 and below 1, usually 0.95", ErrInput, coverage)
	}
	b := Budget{Lines: make([]Line, 0, len(inputs)), DoF: Infinite, Coverage: coverage}
	var variance float64
	for _, in := range inputs {
		line, err := weigh(in)
		if err != nil {
			return Budget{}, err
		}
		variance += line.Contribution * line.Contribution
		b.Lines = append(b.Lines, line)
	}
	b.U = math.Sqrt(variance)
	if b.U > 0 {
		var denominator float64
		for i := range b.Lines {
			line := &b.Lines[i]
			ratio := line.Contribution / b.U
			line.Share = ratio * ratio
			denominator += line.Share * line.Share / line.DoF
		}
		b.DoF = 1 / denominator
	}
	b.K = coverageFactor(b.DoF, coverage)
	b.Expanded = b.K * b.U
	return b, nil
}

func weigh(in Input) (Line, error) {
	if !(in.U >= 0) || math.IsInf(in.U, 0) {
		return Line{}, fmt.Errorf("%w: standard uncertainty of %s is %v; it must be 0 or more", ErrInput, in.Name, in.U)
	}
	if math.IsNaN(in.Sensitivity) || math.IsInf(in.Sensitivity, 0) || math.IsNaN(in.Estimate) || math.IsInf(in.Estimate, 0) {
		return Line{}, fmt.Errorf("%w: estimate %v or sensitivity %v of %s is no number", ErrInput, in.Estimate, in.Sensitivity, in.Name)
	}
	if !(in.DoF > 0) {
		return Line{}, fmt.Errorf("%w: degrees of freedom of %s are %v; they must be over 0, or infinite for a stated bound", ErrInput, in.Name, in.DoF)
	}
	return Line{Input: in, Contribution: math.Abs(in.Sensitivity) * in.U}, nil
}

// coverageFactor is Student's t at the truncated degrees of freedom. Beyond a
// million it no longer differs from the normal law in the sixth digit.
func coverageFactor(dof, coverage float64) float64 {
	p := (1 + coverage) / 2
	if dof > 1e6 {
		return math.Sqrt2 * math.Erfinv(coverage)
	}
	whole := math.Max(1, math.Floor(dof*(1+1e-12))) // 8 computed as 7.999… is 8
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: whole}.Quantile(p)
}

// Of returns the root of the summed variance of one part of the budget.
func (b Budget) Of(part Part) float64 {
	var variance float64
	for _, line := range b.Lines {
		if line.Part == part {
			variance += line.Contribution * line.Contribution
		}
	}
	return math.Sqrt(variance)
}

// Pool returns the pooled standard deviation of several series of readings and its
// degrees of freedom: the root of the mean variance weighted by degrees of freedom
// (JCGM 100, H.5, and 4.2.4). Both slices have one entry per series.
func Pool(deviations, dof []float64) (pooled, total float64, err error) {
	if len(deviations) != len(dof) || len(dof) == 0 {
		return 0, 0, fmt.Errorf("%w: %d standard deviations with %d degrees of freedom", ErrInput, len(deviations), len(dof))
	}
	var sum float64
	for i, s := range deviations {
		if !(s >= 0) || math.IsInf(s, 0) || !(dof[i] > 0) || math.IsInf(dof[i], 0) {
			return 0, 0, fmt.Errorf("%w: series %d has standard deviation %v and %v degrees of freedom", ErrInput, i, s, dof[i])
		}
		sum += dof[i] * s * s
		total += dof[i]
	}
	return math.Sqrt(sum / total), total, nil
}
