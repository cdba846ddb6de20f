package coating

import "pinwright/internal/calc/derivation"

// Derivation tells how what is left follows; parameters are those of Leave. It is
// empty where Leave refuses.
func Derivation(clearance, u, needed float64, pin, bore Range) []derivation.Step {
	l, err := Leave(clearance, u, needed, pin, bore)
	if err != nil {
		return nil
	}
	num := derivation.Number
	eaten := num("E", "taken in the middle", (l.Low+l.High)/2, "um")
	left := num("L", "clearance left", l.Mean, "um")
	return []derivation.Step{
		{Name: "taken in the middle", Formula: "E = (p_1 + p_2 + b_1 + b_2) / 2", Result: eaten, Source: "geometry: twice the thickness on each surface",
			Inputs: []derivation.Value{num("p_1", "least on the pin, of diameter", pin.Low, "um"), num("p_2", "greatest on the pin", pin.High, "um"), num("b_1", "least in the bore", bore.Low, "um"), num("b_2", "greatest in the bore", bore.High, "um")}},
		{Name: "clearance left", Formula: "L = C - E", Inputs: []derivation.Value{num("C", "clearance before", clearance, "um"), eaten}, Result: left, Source: "geometry"},
		{Name: "its standard uncertainty", Formula: "u_L = sqrt(u_C^2 + (p_2 - p_1)^2 / 12 + (b_2 - b_1)^2 / 12)", Source: "JCGM 100:2008, 4.3.7 and 5.1.2",
			Inputs: []derivation.Value{num("u_C", "of the clearance before", u, "um")}, Result: num("u_L", "its standard uncertainty", l.U, "um")},
		{Name: "probability that enough is left", Formula: "P = mean of Phi((C - N - p - b) / u_C) over p from p_1 to p_2 and b from b_1 to b_2", Source: "normal law before, rectangular laws of thickness",
			Inputs: []derivation.Value{num("C", "clearance before", clearance, "um"), num("N", "clearance needed", needed, "um"), num("u_C", "of the clearance before", u, "um")},
			Result: num("P", "probability that enough is left", l.Enough, "1")},
	}
}
