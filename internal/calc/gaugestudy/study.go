package gaugestudy

import (
	"errors"
	"fmt"
	"math"

	"pinwright/internal/calc/uncertainty"
)

// ErrStudy is wrapped by every error about a study that cannot be analysed; the
// error says what is wrong and how to mend it.
var ErrStudy = errors.New("not a crossed study")

// What is taken when nothing is stated.
const (
	// PoolAbove is the probability of the F test over which the interaction is pooled
	// (common practice, no published source; 0.25 is in use too).
	PoolAbove = 0.05
	// Confidence is that of the intervals.
	Confidence = 0.95
	// Spread is how many standard deviations of the gauge are held against a
	// tolerance (AIAG, 4th ed.).
	Spread = 6.0
)

// Study is a crossed study.
type Study struct {
	// Readings are by person, part and trial, in micrometres from any origin common to
	// all. Every person reads every part equally often, at least twice.
	Readings [][][]float64
	// Tolerance is the width in micrometres against which the gauge is held; 0 for none.
	Tolerance float64
	// PoolAbove and Confidence are the constants of that name when 0.
	PoolAbove, Confidence float64
	// PositionsMarked says that every reading of a part was taken at the same marked place.
	PositionsMarked bool
	// FormError is by how much the largest diameter of a part exceeds its smallest, in
	// micrometres, typical of the parts; nil when not known.
	FormError *float64
}

// Row is one row of the analysis of variance. DoF 0 means that the study has no
// such row. Tested is false when there is no F, as there is nothing to divide by.
type Row struct {
	SumSquares float64 // µm²
	DoF        float64
	MeanSquare float64 // µm²
	F, P       float64 // ratio, and the probability of one as large by chance
	Tested     bool
}

// Table is the analysis of variance. People and Parts are tested against the row that
// their model prescribes: Interaction, or Repeatability in the pooled table.
type Table struct {
	Parts, People, Interaction, Repeatability, Total Row
}

// Result is what a study says.
type Result struct {
	NParts, NPeople, NTrials int
	Mean                     float64 // of all readings, µm from their origin
	// Crossed keeps the interaction apart, Additive pools it with the repeats. They
	// are the same where there is no interaction to tell (one person, one part).
	Crossed, Additive Model
	// Pooled says that Additive counts, since the interaction is not significant at PoolAbove.
	Pooled    bool
	PoolAbove float64
	Form      Form
	Notes     []uncertainty.Remark
}

// Counting is the model that counts.
func (r Result) Counting() Model {
	if r.Pooled {
		return r.Additive
	}
	return r.Crossed
}

// Analyse works a study out. ErrStudy tells of cells that are missing or
// unequal, of readings that are no numbers and of settings out of range.
func Analyse(s Study) (Result, error) {
	if err := s.check(); err != nil {
		return Result{}, err
	}
	if s.PoolAbove == 0 {
		s.PoolAbove = PoolAbove
	}
	if s.Confidence == 0 {
		s.Confidence = Confidence
	}
	sums := s.squares()
	r := Result{NPeople: len(s.Readings), NParts: len(s.Readings[0]), NTrials: len(s.Readings[0][0]), Mean: sums.mean, PoolAbove: s.PoolAbove}
	r.Crossed = s.model(sums.table(false), false)
	r.Additive = s.model(sums.table(true), true)
	interaction := r.Crossed.Table.Interaction
	// Repeats that never differ make any interaction significant.
	r.Pooled = interaction.DoF > 0 && (interaction.Tested && interaction.P > s.PoolAbove || !interaction.Tested && interaction.MeanSquare == 0)
	r.Form = s.form(r.Counting().Repeatability)
	r.notes(s)
	return r, nil
}

func (s Study) check() error {
	if len(s.Readings) == 0 || len(s.Readings[0]) == 0 {
		return fmt.Errorf("%w: it has no readings", ErrStudy)
	}
	parts, trials := len(s.Readings[0]), len(s.Readings[0][0])
	if trials < 2 {
		return fmt.Errorf("%w: person 1 read part 1 %d times; without at least two trials nothing tells how readings repeat", ErrStudy, trials)
	}
	for i, person := range s.Readings {
		if len(person) != parts {
			return fmt.Errorf("%w: person %d read %d parts and person 1 read %d; every person reads every part, so leave parts or people out until all cells are filled", ErrStudy, i+1, len(person), parts)
		}
		for j, cell := range person {
			if len(cell) != trials {
				return fmt.Errorf("%w: person %d read part %d %d times and person 1 read part 1 %d times; equal trials in every cell are needed, so leave the surplus out or read what is missing", ErrStudy, i+1, j+1, len(cell), trials)
			}
			for k, x := range cell {
				if !(math.Abs(x) <= limit) {
					return fmt.Errorf("%w: trial %d of person %d at part %d reads %v; it must be a number of micrometres below %.0e", ErrStudy, k+1, i+1, j+1, x, limit)
				}
			}
		}
	}
	switch {
	case !(s.Tolerance >= 0) || s.Tolerance > limit:
		return fmt.Errorf("%w: a tolerance of %v µm; it must be over 0", ErrStudy, s.Tolerance)
	case !(s.PoolAbove >= 0 && s.PoolAbove < 1):
		return fmt.Errorf("%w: a threshold of %v for pooling; it must be over 0 and below 1, usually 0.05", ErrStudy, s.PoolAbove)
	case s.Confidence != 0 && !(s.Confidence >= 0.5 && s.Confidence <= 0.999):
		return fmt.Errorf("%w: a confidence of %v; it must be from 0.5 to 0.999, usually 0.95", ErrStudy, s.Confidence)
	case s.FormError != nil && (!(*s.FormError >= 0) || *s.FormError > limit):
		return fmt.Errorf("%w: a form error of %v µm; it must be 0 or more", ErrStudy, *s.FormError)
	}
	return nil
}

// limit is ten kilometres: beyond what anybody measures, and its square keeps its digits.
const limit = 1e13

// sums are the sums of squares of a study.
type sums struct {
	mean                                      float64
	parts, people, interaction, repeatability float64
	p, o, r                                   float64
}

// squares are the sums of squares, each of differences from means so that a common
// offset costs no digits: first of all readings the first one is taken off, which
// is exact for neighbours.
func (s Study) squares() sums {
	origin := s.Readings[0][0][0]
	o, p, r := len(s.Readings), len(s.Readings[0]), len(s.Readings[0][0])
	cells := make([][]float64, o)
	ofPerson, ofPart := make([]float64, o), make([]float64, p)
	var grand float64
	for i, person := range s.Readings {
		cells[i] = make([]float64, p)
		for j, cell := range person {
			var total float64
			for _, x := range cell {
				total += x - origin
			}
			cells[i][j] = total / float64(r)
			ofPerson[i] += cells[i][j] / float64(p)
			ofPart[j] += cells[i][j] / float64(o)
		}
		grand += ofPerson[i] / float64(o)
	}
	out := sums{mean: origin + grand, p: float64(p), o: float64(o), r: float64(r)}
	for i, person := range s.Readings {
		out.people += out.p * out.r * square(ofPerson[i]-grand)
		for j, cell := range person {
			out.interaction += out.r * square(cells[i][j]-ofPerson[i]-ofPart[j]+grand)
			for _, x := range cell {
				out.repeatability += square(x - origin - cells[i][j])
			}
		}
	}
	for _, mean := range ofPart {
		out.parts += out.o * out.r * square(mean-grand)
	}
	return out
}

func square(x float64) float64 { return x * x }
