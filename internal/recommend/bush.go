package recommend

import (
	"errors"
	"fmt"
	"math"

	"pinwright/internal/calc/bush"
	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/calc/pressfit"
)

// A bush is turned to suit its hole, bored H7 and measured, with one to two
// thousandths of its outside as interference, but no less than roughness takes and
// some micrometres: H7/s6 (ISO 4379, from memory) would strain a small boss beyond
// yield at its tightest. Common practice, no published source.
const (
	bushHole            = "H7"
	leastLow, leastHigh = 0.002, 0.007 // mm over what roughness takes
)

// mostBushes is how many outside diameters are tried, a millimetre apart.
const mostBushes = 6

// bushing plans the bush that brings a running bore back to the standard pin; nil
// with the reason where none can be planned. cleanUp is the size that the hole must
// reach, µm from nominal.
func (o *observation) bushing(one choice.Joint, j JointRow, standard choice.Step, cleanUp float64) (*bush.Plan, error) {
	if is(j.Boss.Kind, "rolled_eye") {
		return nil, errors.New("an eye rolled with an open seam does not hold a pressed bush by its own stress")
	}
	at := func(um float64) float64 { return (o.nominal.Micrometres() + um) / 1000 }
	bronze, err := pressfit.ByName("bronze")
	if err != nil {
		return nil, err
	}
	name := "steel_mild"
	if j.Boss.Material != nil {
		name = *j.Boss.Material
	}
	boss, err := pressfit.ByName(name)
	if err != nil {
		return nil, err
	}
	lost, err := pressfit.Loss(seatRz, seatRz, pressfit.LossDIN7190of2017)
	if err != nil {
		return nil, err
	}
	ask := bush.Ask{Kind: bush.Solid, Bush: bronze, Boss: boss, Friction: pressfit.Dry, Safety: pressSafety, Loss: lost, CleanUp: at(cleanUp),
		Pin: bush.Range{Low: at(standard.Pin.Low), High: at(standard.Pin.High)}, Clearance: bush.Range{Low: one.Target.Low / 1000, High: one.Target.High / 1000},
		BushWall: bush.UsualBushWall, BossWall: one.MinimumWall / 1000, Allowance: bush.UsualAllowance, BoreWidth: bush.UsualBoreWidth,
		Length: seatLength * at(0)}
	if boss.Brittle {
		ask.Safety = brittleSafety
	}
	for _, f := range one.Running {
		if nm := o.features[f].LengthNm; nm != nil {
			ask.Length = length.Length(*nm).Millimetres()
		}
	}
	first := math.Ceil(ask.Pin.High + 2*ask.BushWall)
	for i := range mostBushes {
		ask.Sizes = append(ask.Sizes, first+float64(i))
	}
	if j.Boss.OuterNM != nil {
		ask.Outside = length.Length(*j.Boss.OuterNM).Millimetres()
	} else {
		ask.Outside = 2 * first
		o.assumed.add("assumed_boss_of_bush", map[string]any{"diameter_mm": ask.Outside}, "The boss about a bush was taken to be twice as wide as its hole, since its diameter is not known.")
	}
	ask.Hole = bored
	ask.Suits = func(size float64) bush.Range {
		return bush.Range{Low: math.Max(bush.UsualSuitLow*size, lost+leastLow), High: math.Max(bush.UsualSuitHigh*size, lost+leastHigh)}
	}
	p, err := bush.Choose(ask)
	if err != nil {
		return nil, err
	}
	o.assumed.add("assumed_bush", map[string]any{"hole": bushHole, "wall_mm": ask.BushWall, "allowance_mm": ask.Allowance},
		"A bush was taken to be of bronze, turned to suit its hole (%s) with one to two thousandths of its outside as interference, with a wall of at least %.0f mm and %.1f mm left to finish in place (common practice, no published source).", bushHole, ask.BushWall, ask.Allowance)
	return &p, nil
}

func bored(size float64) (bush.Range, error) {
	nominal := length.FromMicrometres(size * 1000)
	l, err := limits.Hole(bushHole, nominal)
	if err != nil {
		return bush.Range{}, err
	}
	low, high := l.Of(nominal)
	return bush.Range{Low: low.Millimetres(), High: high.Millimetres()}, nil
}

// bushed offers the joint its bush: as planned, else one of a millimetre of wall
// of which no sizes are told; none where the boss bears none.
func (o *observation) bushed(one *choice.Joint, j JointRow, standard choice.Step, cleanUp float64) *bush.Plan {
	one.Bush = bushFor(standard, one.Target)
	p, err := o.bushing(*one, j, standard, cleanUp)
	switch {
	case errors.Is(err, bush.ErrNoSize):
		one.Bush = nil
		o.warnings.add("no_bush_fits", map[string]any{"position": j.Position}, "%s: no bush can be fitted: %v.", j.Position, err)
		return nil
	case err != nil:
		o.warnings.add("bush_not_planned", map[string]any{"position": j.Position}, "%s: the sizes of a bush were not worked out: %v.", j.Position, err)
		return nil
	}
	from := func(mm float64) float64 { return mm*1000 - o.nominal.Micrometres() }
	within := func(r bush.Range) choice.Interval { return choice.Interval{Low: from(r.Low), High: from(r.High)} }
	one.Bush.Hole, one.Bush.Finished, one.Bush.Bore, one.Bush.Outer = from(p.Hole.Middle()), within(p.Finished), within(p.Before), within(p.Body)
	one.Bush.ClosesIn = p.ClosesIn.Middle() * 1000
	if r := standard.Reamer; r != nil && r.Available && r.Diameter >= one.Bush.Finished.Low && r.Diameter <= one.Bush.Finished.High {
		one.Bush.Finish = r
	}
	return p
}

// BushText tells a bush to whoever turns it.
func (a *Answer) BushText(p bush.Plan) string {
	w := speak{a.Question.Unit}
	size := func(r bush.Range) string { return fmt.Sprintf("%s to %s", w.size(r.Low*1000), w.size(r.High*1000)) }
	return fmt.Sprintf("Bore the boss %s and measure it; turn the bush %s larger than that hole outside and %s inside, %s long; pressed in it closes by %s and is finished to %s.",
		size(p.Hole), size(p.Interference), size(p.Before), w.size(p.Length*1000), size(p.ClosesIn), size(p.Finished))
}
