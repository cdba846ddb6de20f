package limits

import (
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
)

// Tables is the source of metric limits.
const Tables = "ISO 286-1 and ISO 286-2, tables"

// Derived is the source of classes that the rules give.
const Derived = "ISO 286-1, tables of grades and fundamental deviations and their rules"

// InchTables is the source of inch fits.
const InchTables = "ANSI/ASME B4.1-1967, tables"

// Derivation tells how the limits of size at a nominal size follow from the
// letter's deviation, the grade and the rule between them.
func (z Zone) Derivation(size length.Length) []derivation.Step {
	low, high, kind := "ei", "es", "shaft"
	if z.Hole {
		low, high, kind = "EI", "ES", "hole"
	}
	step := []derivation.Value{
		derivation.Number("D", "nominal size", size.Millimetres(), "mm"),
		derivation.Number("over", "the step of sizes begins over", z.Over.Millimetres(), "mm"),
		derivation.Number("to", "the step of sizes ends with", z.UpTo.Millimetres(), "mm"),
	}
	tolerance := derivation.Number("IT", "tolerance of grade "+z.Grade, z.Width().Micrometres(), "um")
	lower := derivation.Number(low, "lower deviation of "+z.Class, z.Lower.Micrometres(), "um")
	upper := derivation.Number(high, "upper deviation of "+z.Class, z.Upper.Micrometres(), "um")
	steps := []derivation.Step{{Name: "tolerance of " + z.Class, Formula: "IT = " + z.Grade + "(D)", Inputs: step, Result: tolerance, Source: "ISO 286-1, table of standard tolerance grades"}}
	inputs := []derivation.Value{tolerance}
	if z.Rule != Symmetrical {
		inputs = append(inputs, z.letter())
	}
	if z.Rule == Delta {
		inputs = append(inputs, derivation.Number("delta", "step from the next finer grade to this one", z.Delta.Micrometres(), "um"))
	}
	near, far := lower, upper
	formula := high + " = " + low + " + IT"
	if z.endsAtLetter() {
		near, far, formula = upper, lower, low+" = "+high+" - IT"
	}
	return append(steps,
		derivation.Step{Name: "deviation of the " + kind + " nearest to its letter", Formula: z.Rule.Formula(), Inputs: inputs, Result: near, Source: z.Rule.Source()},
		derivation.Step{Name: "the other deviation", Formula: formula, Inputs: []derivation.Value{near, tolerance}, Result: far, Source: "ISO 286-1, definitions"},
		derivation.Step{Name: "smallest size of " + z.Class, Formula: "D_min = D + " + low + " / 1000", Inputs: []derivation.Value{step[0], lower},
			Result: derivation.Number("D_min", "smallest size", (size + z.Lower).Millimetres(), "mm"), Source: "ISO 286-1, definitions"},
		derivation.Step{Name: "largest size of " + z.Class, Formula: "D_max = D + " + high + " / 1000", Inputs: []derivation.Value{step[0], upper},
			Result: derivation.Number("D_max", "largest size", (size + z.Upper).Millimetres(), "mm"), Source: "ISO 286-1, definitions"},
	)
}

// letter is what the table of fundamental deviations gives for the class, or, for
// holes A to H, which mirror them, for the shaft of the same letter.
func (z Zone) letter() derivation.Value {
	deviation, symbol := z.Letter, "ei"
	switch {
	case z.Rule == Listed && z.Hole:
		symbol = "ES"
	case z.Rule == FromZero && z.Hole:
		deviation, symbol = -z.Letter, "EI"
	case z.Rule == FromZero && z.endsAtLetter():
		symbol = "es"
	}
	return derivation.Number(symbol, "fundamental deviation of the letter", deviation.Micrometres(), "um")
}

// endsAtLetter tells zones whose upper limit is the one that the letter gives.
func (z Zone) endsAtLetter() bool {
	switch z.Rule {
	case Delta, Mirrored, NAboveIT8:
		return true
	case Listed:
		return z.Hole
	case FromZero:
		return !z.Hole && z.Letter <= 0
	}
	return false
}

// Derivation tells how the clearances of a fit follow from the deviations of
// hole and shaft, in micrometres, and its kind from them.
func (p Pair) Derivation(source string) []derivation.Step {
	um := func(symbol, name string, of Limits, upper bool) derivation.Value {
		if upper {
			return derivation.Number(symbol, name, of.Upper.Micrometres(), "um")
		}
		return derivation.Number(symbol, name, of.Lower.Micrometres(), "um")
	}
	least := derivation.Number("C_min", "least clearance; negative: greatest interference", p.LeastClearance.Micrometres(), "um")
	most := derivation.Number("C_max", "greatest clearance", p.GreatestClearance.Micrometres(), "um")
	return append(p.zones(),
		derivation.Step{Name: "least clearance", Formula: "C_min = EI - es", Result: least, Source: source,
			Inputs: []derivation.Value{um("EI", "lower deviation of the hole", p.Hole, false), um("es", "upper deviation of the shaft", p.Shaft, true)}},
		derivation.Step{Name: "greatest clearance", Formula: "C_max = ES - ei", Result: most, Source: source,
			Inputs: []derivation.Value{um("ES", "upper deviation of the hole", p.Hole, true), um("ei", "lower deviation of the shaft", p.Shaft, false)}},
		derivation.Step{Name: "kind of fit", Formula: "clearance when C_min >= 0, interference when C_max <= 0, else transition", Inputs: []derivation.Value{least, most},
			Result: derivation.Word("kind", "kind of fit", string(p.Kind)), Source: "ISO 286-1, definitions"})
}

// zones derives both zones of a metric fit; an inch fit is read from its table.
func (p Pair) zones() []derivation.Step {
	if p.Inch != "" {
		return nil
	}
	hole, err := HoleZone(p.Fit.Hole, p.Size)
	if err != nil {
		return nil
	}
	shaft, err := ShaftZone(p.Fit.Shaft, p.Size)
	if err != nil {
		return nil
	}
	return append(hole.Derivation(p.Size), shaft.Derivation(p.Size)...)
}
