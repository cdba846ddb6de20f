package gaugestudy

import (
	"gonum.org/v1/gonum/mathext"
)

// table makes the rows. In the pooled one the interaction is part of the repeats.
func (s sums) table(pooled bool) Table {
	t := Table{
		Parts:         row(s.parts, s.p-1),
		People:        row(s.people, s.o-1),
		Interaction:   row(s.interaction, (s.p-1)*(s.o-1)),
		Repeatability: row(s.repeatability, s.p*s.o*(s.r-1)),
		Total:         row(s.parts+s.people+s.interaction+s.repeatability, s.p*s.o*s.r-1),
	}
	if pooled {
		t.Repeatability = row(s.interaction+s.repeatability, t.Interaction.DoF+t.Repeatability.DoF)
		t.Interaction = Row{}
	}
	against := t.Repeatability
	if t.Interaction.DoF > 0 {
		against = t.Interaction
		t.Interaction.test(t.Repeatability)
	}
	t.Parts.test(against)
	t.People.test(against)
	return t
}

func row(sumSquares, dof float64) Row {
	if dof == 0 {
		return Row{}
	}
	return Row{SumSquares: sumSquares, DoF: dof, MeanSquare: sumSquares / dof}
}

func (r *Row) test(against Row) {
	if r.DoF == 0 || against.DoF == 0 || against.MeanSquare == 0 {
		return
	}
	r.F, r.Tested = r.MeanSquare/against.MeanSquare, true
	// The upper tail by itself: one less the rest would lose all but 1e-16.
	r.P = mathext.RegIncBeta(against.DoF/2, r.DoF/2, against.DoF/(against.DoF+r.DoF*r.F))
}
