package pluggauge

import (
	"errors"
	"fmt"
	"math"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

// What can be wrong with a question; the errors say how to mend it.
var (
	ErrHole  = errors.New("no gauges for this hole")
	ErrShare = errors.New("share cannot be used")
)

// The shares that are used when none are given, of the hole's tolerance.
const (
	TenPercentRule = 0.05 // of each gauge; both together a tenth
	UsualWear      = 0.05 // common practice, no published source
)

// Sources of the shares and of the sides.
const (
	RuleSource = "ten percent rule, half to each gauge (ASME B89.7.3.1 tells of it; worked examples of gauge makers)"
	WearSource = "common practice, no published source"
	SideSource = "ASME B89.1.5: go plus, no-go minus"
)

// Practice is how much of the hole's tolerance the gauges may take.
type Practice struct {
	Tolerance float64 // share of each gauge, over 0 up to 0.25
	Wear      float64 // share kept for wear of the go gauge, 0 to 0.25
}

// Usual is the ten percent rule with the usual wear.
func Usual() Practice { return Practice{Tolerance: TenPercentRule, Wear: UsualWear} }

// Plug is one end: the limits within which it is to be made.
type Plug struct {
	Least, Greatest length.Length
	// Class is the finest class of ASME B89.1.5 that a gauge within these limits
	// reaches; empty when its tolerance is wider than ZZ or the size has no class.
	Class uncertainty.GaugeClass
}

// Pair is the gauges for one hole.
type Pair struct {
	HoleLeast, HoleGreatest length.Length
	Practice                Practice
	Tolerance, Wear         length.Length // of each gauge; kept for wear
	Go, NoGo                Plug
	// Retire is the size below which the go gauge lets too small holes pass.
	Retire length.Length
	// Refused is the widest band of good holes that new gauges at their worst
	// refuse, at both ends together.
	Refused length.Length
}

// leastTolerance is the finest tolerance of a gauge that means anything outside a
// calibration laboratory: the XXX class's at the smallest sizes is 0.25 µm.
const leastTolerance length.Length = 100

// For returns the gauges for holes from least to greatest. ErrHole tells of
// limits that are no hole or too close for plain gauges, ErrShare of a practice
// that cannot be used. The tolerance is rounded down, the wear up, to a nanometre.
func For(least, greatest length.Length, p Practice) (Pair, error) {
	switch {
	case !(p.Tolerance > 0 && p.Tolerance <= 0.25):
		return Pair{}, fmt.Errorf("%w: %v of the tolerance for each gauge; it must be over 0 and at most 0.25, usually %v", ErrShare, p.Tolerance, TenPercentRule)
	case !(p.Wear >= 0 && p.Wear <= 0.25):
		return Pair{}, fmt.Errorf("%w: %v of the tolerance for wear; it must be from 0 to 0.25, usually %v", ErrShare, p.Wear, UsualWear)
	case least <= 0 || greatest > length.Limit:
		return Pair{}, fmt.Errorf("%w: it must be larger than nothing and no larger than %s", ErrHole, length.Limit.Text(length.Millimetre))
	case greatest <= least:
		return Pair{}, fmt.Errorf("%w: its greatest size must be over its least; exchange them, or give the tolerance", ErrHole)
	}
	it := float64(greatest - least)
	g := Pair{HoleLeast: least, HoleGreatest: greatest, Practice: p, Retire: least,
		Tolerance: length.Length(math.Floor(it * p.Tolerance * (1 + 1e-12))), Wear: length.Length(math.Ceil(it * p.Wear * (1 - 1e-12)))}
	if g.Tolerance < leastTolerance {
		return Pair{}, fmt.Errorf("%w: a tolerance of %s leaves each gauge less than 0.1 um; measure such holes instead", ErrHole, (greatest - least).Text(length.Micrometre))
	}
	g.Go = g.plug(least+g.Wear, least+g.Wear+g.Tolerance, least+g.Wear)
	g.NoGo = g.plug(greatest-g.Tolerance, greatest, greatest)
	g.Refused = g.Go.Greatest - least + greatest - g.NoGo.Least
	return g, nil
}

func (g Pair) plug(least, greatest, marked length.Length) Plug {
	plug := Plug{Least: least, Greatest: greatest}
	for _, class := range uncertainty.GaugeClasses() { // finest first
		if t, err := uncertainty.ClassTolerance(class, marked); err == nil && g.Tolerance <= t {
			plug.Class = class
			break
		}
	}
	return plug
}

// Derivation tells how the limits came about.
func (g Pair) Derivation() []derivation.Step {
	mm := func(symbol, name string, l length.Length) derivation.Value {
		return derivation.Number(symbol, name, l.Millimetres(), "mm")
	}
	um := func(symbol, name string, l length.Length) derivation.Value {
		return derivation.Number(symbol, name, l.Micrometres(), "um")
	}
	low, high := mm("D_min", "least hole", g.HoleLeast), mm("D_max", "greatest hole", g.HoleGreatest)
	it := um("IT", "tolerance of the hole", g.HoleGreatest-g.HoleLeast)
	tolerance, wear := um("T", "tolerance of each gauge", g.Tolerance), um("w", "kept for wear of the go gauge", g.Wear)
	goLeast := mm("go_min", "least go gauge", g.Go.Least)
	rule, wearing := "common practice, no published source; asked for", "asked for"
	if g.Practice.Tolerance == TenPercentRule {
		rule = RuleSource
	}
	if g.Practice.Wear == UsualWear {
		wearing = WearSource
	}
	return []derivation.Step{
		{Name: "tolerance of the hole", Formula: "IT = D_max - D_min", Inputs: []derivation.Value{high, low}, Result: it, Source: "ISO 286-1, definitions"},
		{Name: "tolerance of each gauge", Formula: "T = s IT", Inputs: []derivation.Value{derivation.Number("s", "share of each gauge", g.Practice.Tolerance, "1"), it}, Result: tolerance, Source: rule},
		{Name: "kept for wear", Formula: "w = r IT", Inputs: []derivation.Value{derivation.Number("r", "share kept for wear", g.Practice.Wear, "1"), it}, Result: wear, Source: wearing},
		{Name: "least go gauge", Formula: "go_min = D_min + w / 1000", Inputs: []derivation.Value{low, wear}, Result: goLeast, Source: SideSource},
		{Name: "greatest go gauge", Formula: "go_max = go_min + T / 1000", Inputs: []derivation.Value{goLeast, tolerance}, Result: mm("go_max", "greatest go gauge", g.Go.Greatest), Source: SideSource},
		{Name: "least no-go gauge", Formula: "nogo_min = D_max - T / 1000", Inputs: []derivation.Value{high, tolerance}, Result: mm("nogo_min", "least no-go gauge", g.NoGo.Least), Source: SideSource},
		{Name: "class of the go gauge", Formula: "finest class whose tolerance is at least T", Inputs: []derivation.Value{tolerance, goLeast}, Result: derivation.Word("class", "class reached", g.Go.classText()), Source: "ASME B89.1.5"},
		{Name: "good holes refused at worst", Formula: "R = 2 T + w", Inputs: []derivation.Value{tolerance, wear}, Result: um("R", "band of good holes refused", g.Refused), Source: "follows from the sizes"},
	}
}

func (p Plug) classText() string {
	if p.Class == "" {
		return "none"
	}
	return string(p.Class)
}
