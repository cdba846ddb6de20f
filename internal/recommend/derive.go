package recommend

import (
	"fmt"
	"reflect"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how the numbers of each joint's chosen option came about;
// joints of which the very same can be told are told together.
func (a *Answer) Derivation() []derivation.Step {
	type told struct {
		positions []string
		steps     []derivation.Step
	}
	var all []told
	for j := range a.Joints {
		o := a.Option(a.Choice.Chosen, j)
		if o == nil {
			continue
		}
		steps := a.Problem.Derivation(j, *o)
		at := -1
		for i := range all {
			if reflect.DeepEqual(all[i].steps, steps) {
				at = i
			}
		}
		if at < 0 {
			all, at = append(all, told{steps: steps}), len(all)
		}
		all[at].positions = append(all[at].positions, a.Joints[j].Position)
	}
	var out []derivation.Step
	for _, t := range all {
		who := a.who(t.positions)
		for _, s := range t.steps {
			s.Name = who + ": " + s.Name
			out = append(out, s)
		}
	}
	n := derivation.Number
	plan := a.Choice.Chosen
	return append(out, derivation.Step{Name: "probability that all comes out right", Formula: "P_set = sum over shared errors of w prod over joints of P",
		Inputs: []derivation.Value{n("R", "accepted risk", a.Question.Risk, "1")},
		Values: []derivation.Value{n("V", fmt.Sprintf("expected loss of the set, tools once and waiting once, %d days", plan.Days), plan.Loss.Total(), "minor")},
		Result: n("P_set", "probability that every joint meets what is asked for", plan.Success, "1"),
		Source: "JCGM 101:2008, 5 (propagation of distributions), by quadrature over shared errors"})
}

// Derivation tells how what is known of the feature came about: the uncertainty of
// each reading, then the sizes that all of them leave.
func (e FeatureEstimate) Derivation() []derivation.Step {
	var steps []derivation.Step
	for _, b := range e.Budgets {
		var inputs []derivation.Value
		for i, line := range b.Lines {
			name := line.Source
			if line.Shared {
				name += ", shared with other readings"
			}
			inputs = append(inputs, derivation.Number(fmt.Sprintf("u_%d", i+1), name, line.U, "um"))
		}
		steps = append(steps, derivation.Step{Name: "standard uncertainty of the reading " + b.ReadingID.String(), Formula: "u = sqrt(sum u_i^2)", Inputs: inputs,
			Result: derivation.Number("u", "standard uncertainty", b.U, "um"), Source: "JCGM 100:2008, 5.1.2"})
	}
	return append(steps, e.Posterior.Derivation(shapeOf(e.Feature))...)
}
