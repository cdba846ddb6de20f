package choice

import (
	"math"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/wornsize"
)

const (
	byQuadrature = "JCGM 101:2008, 5 (propagation of distributions), by quadrature over shared errors"
	byAddition   = "JCGM 100:2008, 5.1.2"
	ofPractice   = "common practice, no published source"
	ofGeometry   = "definition"
)

// Derivation tells how the numbers of an option of joint j came about, in the
// order in which they were worked out. Lengths are micrometres, sizes counted from
// nominal.
func (p Problem) Derivation(j int, o Option) []derivation.Step {
	d := deriving{p: p, j: p.Joints[j], o: o}
	switch o.Kind {
	case ReamTo, CutSmallerAndLook:
		d.cut(p.Series[o.Step].Reamer.at(d.j.Access), p.Series[o.Step].Pin)
	case HoneTo:
		pin := p.Series[o.Step].Pin.Mid()
		d.cut(d.j.Hone.asReamer(pin, d.j), Interval{pin, pin})
	case BushBack:
		if d.j.Bush != nil {
			d.bush()
		}
	case NewStandardPin, NewPinAsFitted:
		d.uncut(p.Series[o.Step].Pin)
	case Leave, CleanAndLubricate:
		d.left()
	}
	d.success()
	d.wall()
	d.pressed()
	d.loss()
	return d.steps
}

type deriving struct {
	p     Problem
	j     Joint
	o     Option
	steps []derivation.Step
	hole  float64 // cut in running bores; NaN when none
}

func (d *deriving) add(name, formula, source string, result derivation.Value, values, inputs []derivation.Value) {
	d.steps = append(d.steps, derivation.Step{Name: name, Formula: formula, Inputs: inputs, Values: values, Result: result, Source: source})
}

var num = derivation.Number

// laws are the bores' passing and clean-up sizes, each with its mean and standard
// deviation.
func (d *deriving) laws(passing, cleanUp bool) []derivation.Value {
	var out []derivation.Value
	tell := func(symbol, name string, l wornsize.Law) {
		out = append(out, num("mean("+symbol+")", name+", mean", l.Mean(), "um"), num("sd("+symbol+")", name+", standard deviation", l.SD(), "um"))
	}
	for b, f := range d.j.Running {
		at := string(rune('1' + b))
		if passing {
			tell("S_"+at, "passing size of running bore "+at, d.p.Posterior.Features[f].Passing)
		}
		if cleanUp {
			tell("L_"+at, "clean-up size of running bore "+at, d.p.Posterior.Features[f].CleanUp)
		}
	}
	return out
}

func (d *deriving) target() []derivation.Value {
	return []derivation.Value{num("g_min", "least clearance wanted", d.j.Target.Low, "um"), num("g_max", "greatest clearance wanted", d.j.Target.High, "um")}
}

func (d *deriving) pin(i Interval) []derivation.Value {
	return []derivation.Value{num("p_min", "least size of the pin", i.Low, "um"), num("p_max", "greatest size of the pin", i.High, "um"), num("k", "what coatings take", d.j.Coating, "um")}
}

func (d *deriving) cut(r Reamer, pin Interval) {
	c := r.cut()
	d.hole = c.mean
	hole := num("H", "hole that is cut, mean", c.mean, "um")
	u := num("u_H", "standard uncertainty of one hole", c.sd(), "um")
	d.add("hole that "+r.Code+" cuts", "H = D + o; u_H = sqrt(u^2 + s^2)", byAddition+"; overcut and scatter: "+ofPractice, hole, []derivation.Value{u},
		[]derivation.Value{num("D", "size of the cutter", r.Diameter, "um"), num("o", "overcut", r.Overcut, "um"), num("u", "uncertainty shared by all its holes", r.OvercutU, "um"), num("s", "scatter from hole to hole", r.Scatter, "um")})
	if a := d.o.Allowance; a != nil {
		d.add("left to cut at the tightest place", "a = H - mean(S), of the bore with the least S", ofGeometry, num("a", "allowance, mean", a.Mean, "um"),
			[]derivation.Value{num("P_little", "probability that some bore leaves less than the cutter needs", d.o.TooLittle, "1"), num("P_much", "probability that some bore leaves more than it may take", d.o.TooMuch, "1")},
			append([]derivation.Value{hole, num("a_min", "least it needs", r.MinCut, "um"), num("a_max", "most it may take", r.MaxCut, "um")}, d.laws(true, false)...))
	}
	d.add("probability that every running bore cleans up", "P_1 = sum over shared errors of w prod over bores of Pr(H >= L)", byQuadrature,
		num("P_1", "probability of clean-up", d.o.CleanUp, "1"), nil,
		append([]derivation.Value{hole, u, num("e", "error of the guidance, on radius, in L already", d.j.Offset, "um")}, d.laws(false, true)...))
	d.clearance(hole, u, pin)
}

func (d *deriving) clearance(hole, u derivation.Value, pin Interval) {
	c := d.o.Clearance
	spread := num("u_g", "standard uncertainty of the clearance", c.SD, "um")
	d.add("clearance", "g = H - (p_min + p_max)/2 - k; u_g = sqrt(u_H^2 + (p_max - p_min)^2/12)", byAddition+"; 4.3.7 for the pin's tolerance",
		num("g", "clearance, mean", c.Mean, "um"), []derivation.Value{spread}, append([]derivation.Value{hole, u}, d.pin(pin)...))
	d.add("probability of the clearance wanted", "P_2 = Pr(g_min <= H - p - k <= g_max in every running bore, and the grip wanted in every held one)", byQuadrature,
		num("P_2", "probability of the clearance wanted", d.o.InTarget, "1"), nil, append([]derivation.Value{num("g", "clearance, mean", c.Mean, "um"), spread}, d.target()...))
}

func (d *deriving) bush() {
	b := *d.j.Bush
	d.hole = b.Hole
	d.add("probability that the hole for the bush cleans up", "P_1 = sum over shared errors of w prod over bores of Pr(B >= L)", byQuadrature, num("P_1", "probability of clean-up", d.o.CleanUp, "1"), nil,
		append([]derivation.Value{num("B", "hole for the bush", b.Hole, "um")}, d.laws(false, true)...))
	hole, u := num("H", "finished bore of the bush, mean", b.Finished.Mid(), "um"), num("u_H", "its standard uncertainty", b.Finished.Width()/2/sqrt3, "um")
	if b.Finish != nil {
		c := b.Finish.cut()
		hole, u = num("H", "bore of the bush, finished in place, mean", c.mean, "um"), num("u_H", "its standard uncertainty", c.sd(), "um")
		d.add("what the bush leaves to finish", "a = H - (b - c)", ofGeometry, num("a", "allowance", d.o.Passes[0].Allowance, "um"), nil,
			[]derivation.Value{hole, num("b", "bore as bought, mean", b.Bore.Mid(), "um"), num("c", "closing in as it is pressed", b.ClosesIn, "um")})
	}
	d.clearance(hole, u, d.p.Series[0].Pin)
}

func (d *deriving) uncut(pin Interval) {
	d.hole = math.NaN()
	d.add("tightest clearance with the pin", "g = mean(S) - (p_min + p_max)/2 - k, of the bore with the least S", ofGeometry, num("g", "tightest clearance, mean", d.o.Clearance.Mean, "um"),
		[]derivation.Value{num("j", "greatest local clearance, mean", d.o.Play.Mean, "um")}, append(d.laws(true, true), d.pin(pin)...))
	d.frechet()
}

func (d *deriving) left() {
	d.hole = math.NaN()
	if d.o.Clearance == nil {
		return
	}
	pin := d.p.Posterior.Features[d.j.Pin]
	d.add("tightest clearance with the worn pin", "g = mean(S) - mean(p) - k, of the bore with the least S and the pin's largest size", ofGeometry, num("g", "tightest clearance, mean", d.o.Clearance.Mean, "um"),
		[]derivation.Value{num("j", "greatest local clearance, mean", d.o.Play.Mean, "um")},
		append(d.laws(true, true), num("mean(p)", "largest size of the worn pin, mean", pin.Passing.Mean(), "um"), num("mean(q)", "its smallest size, mean", pin.CleanUp.Mean(), "um"), num("k", "what coatings take", d.j.Coating, "um")))
	d.frechet()
}

func (d *deriving) frechet() {
	d.add("least probability that the pin passes and is loose nowhere", "P_2 = sum over shared errors of w prod over bores of max(0, Pr(S >= p + k + g_min) - Pr(L > p + k + g_max))",
		byQuadrature+"; lower bound of Fréchet, since only the separate laws of S and L are known", num("P_2", "probability of the clearance wanted", d.o.InTarget, "1"), nil, append(d.laws(true, true), d.target()...))
}

func (d *deriving) success() {
	p := num("P", "probability that the option meets what is asked for", d.o.Success, "1")
	formula, inputs := "P = sum over shared errors of w Pr(clean-up and clearance)", []derivation.Value{num("P_1", "probability of clean-up", d.o.CleanUp, "1"), num("P_2", "probability of the clearance wanted", d.o.InTarget, "1")}
	source := byQuadrature
	switch d.o.Kind {
	case ReplacePart:
		formula, inputs, source = "P as stated for the new part", nil, ofPractice
	case CutSmallerAndLook:
		formula, inputs = "P = P(first step) + sum over further steps of w max(0, P(this step) - Pr(clean-up before and clearance))", nil
		for i, e := range d.o.Ends {
			at := string(rune('1' + i))
			inputs = append(inputs, num("E_"+at, "probability that the look ends at its step "+at, e, "1"))
		}
	}
	d.add("probability of success", formula, source, p, nil, inputs)
	d.add("decision on the joint", "proved when 1 - P <= R, refused when P <= R, else undecided", "JCGM 106:2012, clause 8; ISO 14253-1",
		derivation.Word("decision", "decision", string(d.o.Verdict)), nil, []derivation.Value{p, num("R", "accepted risk", d.p.Risk.Joint, "1")})
}

func (d *deriving) wall() {
	if d.o.WallLeft == nil || math.IsNaN(d.hole) {
		return
	}
	hole := d.hole
	if d.o.Kind == CutSmallerAndLook {
		hole = d.p.Series[d.o.Last].Reamer.cut().mean
	}
	d.add("wall left of the boss", "t = (D_o - H)/2", ofGeometry, num("t", "wall left", *d.o.WallLeft, "um"), nil,
		[]derivation.Value{num("D_o", "outside of the boss", d.j.BossDiameter, "um"), num("H", "hole", hole, "um"), num("t_min", "least wall", d.j.MinimumWall, "um")})
}

func (d *deriving) pressed() {
	i, p := d.o.Interference, d.o.Press
	if i == nil || p == nil {
		return
	}
	mean := num("i", "interference, mean", i.Mean, "um")
	if p.Learned {
		d.add("force of pressing", "F = f i", "mean of earlier pressings, with Student's interval", num("F", "force, mean", p.Force.Mean, "N"), nil,
			[]derivation.Value{mean, num("f", "force per micrometre over the crests", d.j.Hub.Pressings.PerUM, "N/um")})
		return
	}
	law, lost := d.j.Hub.Law, num("l", "interference that flattened peaks take", d.j.Hub.Lost, "um")
	d.add("pressure in the held bore", "p = p_1 max(0, i - l)", "Lamé, thick cylinders; DIN 7190 for l", num("p", "pressure at the mean interference", p.Pressure, "MPa"), nil,
		[]derivation.Value{mean, lost, num("p_1", "pressure for each micrometre, by package pressfit", law.PerUM.Pressure, "MPa/um")})
	d.add("stress at the hub's bore", "sigma = sigma_1 max(0, i - l)", "Lamé; von Mises, of a brittle hub its pull", num("sigma", "stress", p.Stress, "MPa"), nil,
		[]derivation.Value{mean, lost, num("sigma_1", "stress for each micrometre", d.j.Hub.stress(), "MPa/um")})
	d.add("force of pressing", "F = f_1 E(max(0, i - l)), i normal with u_i", "mean of a normal law cut at zero", num("F", "force, mean", p.Force.Mean, "N"),
		[]derivation.Value{num("F_97.5", "force exceeded once in forty", p.Force.High, "N"), num("P_loose", "probability of no grip", p.Loose, "1"), num("P_over", "probability of more than the metal stands", p.Overstressed, "1")},
		[]derivation.Value{mean, num("u_i", "its standard deviation", i.SD, "um"), lost, num("f_1", "force for each micrometre", law.PerUM.Force, "N/um")})
}

func (d *deriving) loss() {
	w, l := d.o.WayOut, d.o.Loss
	risk := num("r", "what failing costs on average", l.Risk, "minor")
	if l.Risk > 0 {
		d.add("cost of failing", "r = (1 - P) W", "expected value; "+ofPractice+" for the single losses", risk, nil,
			[]derivation.Value{num("P", "probability of success", d.o.Success, "1"), num("W", "cost of the way out, "+string(w.Kind), w.LossMinor, "minor")})
	}
	d.add("expected loss of the joint alone", "V = pins + wear + labour + steps + r + tools + waiting", "expected value; "+ofPractice+" for the single losses",
		num("V", "expected loss", l.Total(), "minor"), nil, []derivation.Value{
			num("pins", "pins, bushes, parts", l.Pins, "minor"), num("wear", "wear charges", l.Wear, "minor"), num("labour", "labour", l.Labour, "minor"),
			num("steps", "steps of the ladder spent", l.Steps, "minor"), risk, num("tools", "tools, once each", l.Tools, "minor"), num("waiting", "days of waiting", l.Waiting, "minor")})
}
