package bush

import "pinwright/internal/calc/derivation"

// Derivation tells how the plan's bore follows.
func (a Ask) Derivation(p Plan) []derivation.Step {
	num := derivation.Number
	k, loss := num("k", "closing in per unit of effective interference", p.CloseBy, "1"), num("loss", "what roughness takes", a.Loss, "mm")
	iLow, iHigh := num("i_min", "least interference", p.Interference.Low, "mm"), num("i_max", "greatest interference", p.Interference.High, "mm")
	cLow, cHigh := num("c_min", "closes in at least", p.ClosesIn.Low, "mm"), num("c_max", "closes in at most", p.ClosesIn.High, "mm")
	fLow, fHigh := num("F_min", "least finished bore", p.Finished.Low, "mm"), num("F_max", "greatest finished bore", p.Finished.High, "mm")
	const chain = "chain of sizes"
	var steps []derivation.Step
	if a.Suits == nil {
		steps = []derivation.Step{
			{Name: "least interference", Formula: "i_min = B_min - H_max", Inputs: []derivation.Value{num("B_min", "least outside of the bush", p.Body.Low, "mm"), num("H_max", "greatest hole", p.Hole.High, "mm")}, Result: iLow, Source: chain},
			{Name: "greatest interference", Formula: "i_max = B_max - H_min", Inputs: []derivation.Value{num("B_max", "greatest outside of the bush", p.Body.High, "mm"), num("H_min", "least hole", p.Hole.Low, "mm")}, Result: iHigh, Source: chain},
		}
	}
	steps = append(steps, []derivation.Step{
		{Name: "closes in at least", Formula: "c_min = k (i_min - loss)", Inputs: []derivation.Value{k, iLow, loss}, Result: cLow, Source: "thick cylinders after Lamé, plane stress"},
		{Name: "closes in at most", Formula: "c_max = k (i_max - loss)", Inputs: []derivation.Value{k, iHigh, loss}, Result: cHigh, Source: "thick cylinders after Lamé, plane stress"},
		{Name: "least finished bore", Formula: "F_min = P_max + s_min", Inputs: []derivation.Value{num("P_max", "greatest pin", a.Pin.High, "mm"), num("s_min", "least running clearance", a.Clearance.Low, "mm")}, Result: fLow, Source: chain},
		{Name: "greatest finished bore", Formula: "F_max = P_min + s_max", Inputs: []derivation.Value{num("P_min", "least pin", a.Pin.Low, "mm"), num("s_max", "greatest running clearance", a.Clearance.High, "mm")}, Result: fHigh, Source: chain},
	}...)
	before := num("V_max", "greatest bore before pressing", p.Before.High, "mm")
	if a.Kind == Solid {
		return append(steps, derivation.Step{Name: "greatest bore before pressing", Formula: "V_max = F_min - a + c_min", Source: chain,
			Inputs: []derivation.Value{fLow, num("a", "least left to ream", a.Allowance, "mm"), cLow}, Result: before})
	}
	if p.NeedsSizing {
		return append(steps, derivation.Step{Name: "bore before pressing", Formula: "V = (F_min + c_max + F_max + c_min) / 2", Source: chain, Inputs: []derivation.Value{fLow, cHigh, fHigh, cLow}, Result: before})
	}
	return append(steps, derivation.Step{Name: "greatest bore before pressing", Formula: "V_max = F_max + c_min", Source: chain, Inputs: []derivation.Value{fHigh, cLow}, Result: before})
}
