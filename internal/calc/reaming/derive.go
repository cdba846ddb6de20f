package reaming

import "pinwright/internal/calc/derivation"

// Derivation tells how speed, feed and stock came about.
func (a Advice) Derivation() []derivation.Step {
	number := derivation.Number
	q := a.Question
	d := number("D", "diameter of the reamer", q.Diameter, "mm")
	column, speed := "high-speed steel", a.Row.HSS
	if q.Tool == Carbide {
		column, speed = "carbide", a.Row.Carbide
	}
	row := derivation.Word("row", "material", a.Row.Name)
	inputs := []derivation.Value{row}
	if a.Row.ToHB > 0 {
		inputs = append(inputs, number("HB_from", "hardness of the row from", a.Row.FromHB, "[HB]"), number("HB_to", "up to and including", a.Row.ToHB, "[HB]"))
	}
	table := number("v_ft", "table's speed for "+column, speed, "[ft_i]/min")
	v := number("v", "cutting speed", a.Speed.Greatest, "m/min")
	steps := []derivation.Step{
		{Name: "speed of the table", Formula: "v_ft = table(material, hardness, tool)", Inputs: inputs, Result: table, Source: a.Row.Source},
		{Name: "cutting speed", Formula: "v = 0.3048 v_ft", Inputs: []derivation.Value{table}, Result: v, Source: "1 ft = 0.3048 m (ISO 31-1)"},
	}
	if a.Spindle.Greatest > 0 {
		n := number("n", "greatest spindle speed", a.Spindle.Greatest, "/min")
		formula, source := "n = 1000 v / (pi D)", "definition of cutting speed"
		if q.Drive == HandDrill {
			formula, source = "n = min(300, max(n_slow, half of 1000 v / (pi D)))", practice
		}
		if a.Speed.Least > 0 {
			slow := number("v_slow", "half the speed of drilling", a.Speed.Least, "m/min")
			steps = append(steps,
				derivation.Step{Name: "slow end", Formula: "v_slow = min(v, 0.3048 v_drill / 2)", Inputs: []derivation.Value{v, number("v_drill", "table's speed for drilling", a.Row.Drilling, "[ft_i]/min")}, Result: slow, Source: "TM 1-420, 37 (half of drilling)"},
				derivation.Step{Name: "slow spindle speed", Formula: "n_slow = 1000 v_slow / (pi D)", Inputs: []derivation.Value{slow, d}, Result: number("n_slow", "least spindle speed", a.Spindle.Least, "/min"), Source: "definition of cutting speed"})
		}
		steps = append(steps, derivation.Step{Name: "spindle speed", Formula: formula, Inputs: []derivation.Value{v, d}, Result: n, Source: source})
		if a.Feed.Greatest > 0 {
			at := n
			if a.Set > 0 {
				at = number("n_set", "speed of the machine", a.Set, "/min")
			}
			z := number("z", "flutes", float64(q.Flutes), "1")
			f := number("f", "greatest feed of a turn", a.Feed.Greatest, "mm")
			steps = append(steps,
				derivation.Step{Name: "feed of a turn", Formula: "f = z f_z", Inputs: []derivation.Value{z, number("f_z", "feed of a flute", feedPerFlute.Greatest, "mm")}, Result: f, Source: "0.002 to 0.003 in for each flute and turn, a toolmaker's page"},
				derivation.Step{Name: "feed of a minute", Formula: "F = f " + at.Symbol, Inputs: []derivation.Value{f, at}, Result: number("F", "greatest feed of a minute", a.FeedRate.Greatest, "mm/min"), Source: "definition of feed"})
		}
	}
	most := number("s_max", "most stock on the diameter", a.Stock.Greatest, "mm")
	steps = append(steps, derivation.Step{Name: "stock for one cut", Formula: "s_max = table(D, drive)", Inputs: []derivation.Value{d, derivation.Word("drive", "turned by", string(q.Drive))},
		Values: []derivation.Value{number("s_min", "least stock on the diameter of a drilled hole", a.Stock.Least, "mm"), number("s_rub", "stock below which it rubs (by machine: TM 1-420, 37)", a.Rubs, "mm")}, Result: most, Source: a.StockFrom})
	if a.Removed > 0 {
		steps = append(steps,
			derivation.Step{Name: "stock at hand", Formula: "s = D - B", Inputs: []derivation.Value{d, number("B", "bore as it is", a.Bore, "mm")}, Result: number("s", "stock", a.Removed, "mm"), Source: "definition of stock"},
			derivation.Step{Name: "cuts", Formula: "k = max(1, ceil(s / s_max))", Inputs: []derivation.Value{number("s", "stock", a.Removed, "mm"), most}, Result: number("k", "cuts", float64(a.Cuts), "1"), Source: "follows from the stock for one cut"})
	}
	return steps
}
