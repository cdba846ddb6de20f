package uncertainty

import (
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
)

// Corrected is a length brought to 20 °C with the uncertainty that temperature alone
// leaves in it.
type Corrected struct {
	Read, At20 length.Length
	Micrometre float64 // At20 in full, µm
	Correction float64 // At20 minus Read, µm
	Budget     Budget  // in µm
	Assumed    []Remark
	Warnings   []Remark
	used       used
}

// used are the estimates that were taken, given or assumed; apart is the instrument's
// temperature where it has an error of its own.
type used struct {
	temperature, difference, workpiece, instrument Estimate
	apart                                          *Estimate
}

// AtTwenty corrects a length as read to 20 °C (ISO 1) at 95 % coverage; the length is
// over 0 and below 10 m. ErrInput tells what cannot be used. Nothing of the instrument is
// in the budget but its expansion. Source: JCGM 100:2008, H.1, with the terms of second
// order of H.1.7.
func AtTwenty(read length.Length, t Thermal) (Corrected, error) {
	size, err := micrometres(read, "the length")
	if err != nil {
		return Corrected{}, err
	}
	at, err := t.toTwenty(size)
	if err != nil {
		return Corrected{}, err
	}
	budget, err := Combine(at.inputs, Coverage)
	if err != nil {
		return Corrected{}, err
	}
	return Corrected{Read: read, At20: length.FromMicrometres(at.size), Micrometre: at.size, Correction: at.size - size, Budget: budget,
		Assumed: at.assumed, Warnings: at.warnings, used: at.used}, nil
}

// Text returns At20 with its expanded uncertainty in the unit: "499.999 ± 0.004 mm".
func (c Corrected) Text(unit length.Unit) string {
	return c.At20.TextWithUncertainty(unit, length.FromMicrometres(c.Budget.Expanded))
}

// Derivation tells how the length at 20 °C and its uncertainty came about.
func (c Corrected) Derivation() []derivation.Step {
	n := derivation.Number
	ofPart := c.used.temperature.Value - 20
	growth := "JCGM 100:2008, H.1; ISO 1 for 20 Cel"
	part := n("theta_w", "workpiece over 20 Cel", ofPart, "K")
	instrument := n("theta_i", "instrument over 20 Cel", ofPart-c.used.difference.Value, "K")
	steps := []derivation.Step{
		{Name: "temperature of the instrument", Formula: "theta_i = theta_w - d", Inputs: []derivation.Value{part, n("d", "workpiece minus instrument", c.used.difference.Value, "K")}, Result: instrument, Source: growth},
		{Name: "length at 20 Cel", Formula: "L_20 = L (1 + a_i theta_i) / (1 + a_w theta_w)",
			Inputs: []derivation.Value{n("L", "length as read", c.Read.Micrometres(), "um"), n("a_i", "expansion of the instrument", c.used.instrument.Value, "1/K"), instrument,
				n("a_w", "expansion of the workpiece", c.used.workpiece.Value, "1/K"), part},
			Values: []derivation.Value{n("C", "correction", c.Correction, "um")}, Result: n("L_20", "length at 20 Cel", c.Micrometre, "um"), Source: growth},
	}
	return append(steps, c.Budget.Derivation("um")...)
}
