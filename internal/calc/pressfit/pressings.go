package pressfit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"pinwright/internal/calc/derivation"
)

// Pressing is one knurled or splined pin that was pressed in.
type Pressing struct {
	Crest float64 // diameter over the crests minus hole before, µm
	Force float64 // greatest force on the way in, N
}

// Learned is what past pressings say of the next.
type Learned struct {
	PerUM   float64 // N per µm of crest interference
	Scatter float64 // of one pressing, as a fraction of its force
	Number  int
	Least   float64 // crest interference seen, µm
	Most    float64
}

// LeastScatter is the scatter taken when the pressings agree better: a tenth, since
// neither the gauge of a press nor the crests are known better. Common practice, no
// published source.
const LeastScatter = 0.1

// FromPressings learns from 2 to 1000 pressings of one kind (same knurl, same
// material and length of seat). Force is taken as proportional to crest
// interference with a scatter proportional to it, so each pressing gives a ratio and
// the ratios are averaged: weighted least squares through the origin. ErrTooFew,
// ErrRange for a pressing that is not over 0 µm and 0 N.
func FromPressings(list []Pressing) (Learned, error) {
	if len(list) < 2 || len(list) > 1000 {
		return Learned{}, fmt.Errorf("%w: from 2 to 1000 are needed to know how much they scatter, not %d", ErrTooFew, len(list))
	}
	l := Learned{Number: len(list), Least: math.Inf(1)}
	n := float64(len(list))
	for i, p := range list {
		if !(p.Crest >= 1 && p.Crest <= 5000 && p.Force > 0 && p.Force <= 1e7) {
			return Learned{}, fmt.Errorf("%w: pressing %d must have from 1 to 5000 micrometres over the crests and a force over 0 and at most 10 MN", ErrRange, i+1)
		}
		l.PerUM += p.Force / p.Crest / n
		l.Least, l.Most = math.Min(l.Least, p.Crest), math.Max(l.Most, p.Crest)
	}
	var squares float64
	for _, p := range list {
		e := p.Force/p.Crest - l.PerUM
		squares += e * e
	}
	l.Scatter = math.Max(LeastScatter, math.Sqrt(squares/(n-1))/l.PerUM)
	return l, nil
}

// Next is the force in N for a crest interference in µm, from 1 to 5000, with the
// prediction interval of the given probability (Student's t with one degree less
// than pressings). Outside says that none so large or small was pressed before.
// ErrRange when crest or probability are outside what they can be.
func (l Learned) Next(crest, probability float64) (middle, low, high float64, outside bool, err error) {
	if !(crest >= 1 && crest <= 5000) || !(probability > 0 && probability < 1) || l.Number < 2 {
		return 0, 0, 0, false, fmt.Errorf("%w: crest interference must be from 1 to 5000 micrometres and the probability between 0 and 1", ErrRange)
	}
	n := float64(l.Number)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile((1 + probability) / 2)
	middle = l.PerUM * crest
	half := t * l.Scatter * middle * math.Sqrt(1+1/n)
	return middle, math.Max(0, middle-half), middle + half, crest < l.Least || crest > l.Most, nil
}

// Derivation tells how the force of Next follows; it is empty where Next refuses.
func (l Learned) Derivation(crest, probability float64) []derivation.Step {
	middle, _, high, _, err := l.Next(crest, probability)
	if err != nil {
		return nil
	}
	k := derivation.Number("k", "force per micrometre over the crests, mean of the pressings", l.PerUM, "N/um")
	c := derivation.Number("c", "crest interference", crest, "um")
	f := derivation.Number("F", "force to be expected", middle, "N")
	n := derivation.Number("n", "pressings", float64(l.Number), "1")
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(l.Number) - 1}.Quantile((1 + probability) / 2)
	return []derivation.Step{
		{Name: "force to be expected", Formula: "F = k c", Inputs: []derivation.Value{k, c}, Result: f, Source: "weighted least squares through the origin"},
		{Name: "upper end of the interval", Formula: "F_high = F (1 + t s sqrt(1 + 1/n))", Source: "prediction interval, any book on regression",
			Inputs: []derivation.Value{f, derivation.Number("t", "Student's t for n - 1 degrees of freedom", t, "1"), derivation.Number("s", "scatter of one pressing, as a fraction", l.Scatter, "1"), n},
			Result: derivation.Number("F_high", "force hardly exceeded", high, "N")},
	}
}
