package shrinkfit

import "pinwright/internal/calc/derivation"

// Derivation tells how the hub's temperature of a way follows.
func (j Joint) Derivation(w Way) []derivation.Step {
	grown := derivation.Number("e_s", "growth of the pin per unit of diameter", stretch(j.PinExpansion, w.Pin), "1")
	share := 1.0
	if w.Pin < Room {
		share = ColdShare
	}
	needs := ((j.Hole+j.Interference)*(1+grown.Value) + j.Clearance) / j.Hole
	ratio := derivation.Number("q", "hole needed against hole at 20 °C", needs, "1")
	return []derivation.Step{
		{Name: "growth of the pin", Formula: "e_s = k alpha_s (T_s - 20)", Result: grown, Source: "definition of the coefficient; k in the cold from memory, DIN 7190",
			Inputs: []derivation.Value{derivation.Number("k", "share of the coefficient that holds in the cold", share, "1"),
				derivation.Number("alpha_s", "expansion of the pin", j.PinExpansion, "1/K"), derivation.Number("T_s", "temperature of the pin", w.Pin, "Cel")}},
		{Name: "hole needed", Formula: "q = ((D + delta) (1 + e_s) + c) / D", Result: ratio, Source: "geometry",
			Inputs: []derivation.Value{derivation.Number("D", "hole", j.Hole, "mm"), derivation.Number("delta", "interference", j.Interference, "mm"),
				derivation.Number("c", "clearance wanted", j.Clearance, "mm"), grown}},
		{Name: "temperature of the hub", Formula: "T_h = 20 + (q - 1) / alpha_h, at least 20", Source: "definition of the coefficient",
			Inputs: []derivation.Value{ratio, derivation.Number("alpha_h", "expansion of the hub", j.HubExpansion, "1/K")},
			Result: derivation.Number("T_h", "temperature of the hub", w.Hub, "Cel")},
	}
}
