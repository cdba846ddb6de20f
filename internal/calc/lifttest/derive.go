package lifttest

import (
	"math"

	"pinwright/internal/calc/derivation"
)

const source = "geometry of rigid bodies, derived in package lifttest"

// Derivation tells how the result of a test follows; it is empty for a test that
// Judge refuses.
func (t Test) Derivation() []derivation.Step {
	r, err := Judge(t)
	if err != nil {
		return nil
	}
	num := derivation.Number
	a, b := t.Hinges[r.First], t.Hinges[r.Second]
	c1, c2 := num("c_1", "clearance of the first limiting mouth", a.Clearance.Value, "mm"), num("c_2", "clearance of the second", b.Clearance.Value, "mm")
	apart := num("s", "height between them", (a.Clearance.Value+b.Clearance.Value)/r.Swing, "mm")
	if r.Swing == 0 {
		apart.Value = math.Abs(a.Height-b.Height) + (a.Length+b.Length)/2
	}
	swing := num("phi", "swing from hanging to lifted", r.Swing, "rad")
	reach, explained := num("a", "reach", t.Reach.Value, "mm"), num("E", "lift that the clearances explain", r.Explained.Value, "mm")
	left := num("R", "lift that is left", r.Left.Value, "mm")
	u := num("u_R", "its standard uncertainty", r.Left.U, "mm")
	return []derivation.Step{
		{Name: "swing", Formula: "phi = least of (c_1 + c_2) / s over all pairs of mouths", Inputs: []derivation.Value{c1, c2, apart}, Result: swing, Source: source},
		{Name: "lift that the clearances explain", Formula: "E = a phi + e + g",
			Inputs: []derivation.Value{reach, swing, num("e", "end float that was lifted along", t.EndFloat.Value, "mm"), num("g", "what a sound door gives", t.Give.Value, "mm")}, Result: explained, Source: source},
		{Name: "lift that is left", Formula: "R = M - E", Inputs: []derivation.Value{num("M", "measured lift", t.Lift.Value, "mm"), explained}, Result: left, Source: source},
		{Name: "its standard uncertainty", Formula: "u_R = sqrt(u_M^2 + u_E^2)", Inputs: []derivation.Value{num("u_M", "of the measured lift", t.Lift.U, "mm"), num("u_E", "of the explained lift", r.Explained.U, "mm")}, Result: u, Source: "JCGM 100:2008, 5.1.2"},
		{Name: "probability that something else gives way", Formula: "P = 1 / (1 + (1 - pi) / (pi B)), B = sqrt(2 pi) (u_R/m) exp(w^2/2) Phi(w), w = R/u_R - u_R/m",
			Inputs: []derivation.Value{left, u, num("pi", "probability before the test", t.Prior, "1"), num("m", "mean of what something else adds", t.Rest, "mm")},
			Result: num("P", "probability that something else gives way", r.Else, "1"), Source: "Bayes' rule"},
	}
}
