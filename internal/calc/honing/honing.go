package honing

import (
	"errors"
	"fmt"
	"slices"
)

// ErrRange tells what is outside what can be advised on, and how to mend it.
var ErrRange = errors.New("outside what can be advised on")

// Bounds; common practice, no published source.
const (
	SoftestForHone = 35.0  // HRC up to which a reamer of high speed steel cuts
	HardestToReam  = 50.0  // HRC up to which one of carbide does
	LeastToReam    = 50.0  // µm of diameter below which a reamer rubs
	MostToHone     = 150.0 // µm of diameter that a hone takes in reasonable time
	Scratches      = 8.0   // stock in diameter that removes scratches, in their Ra: four on each side
)

// Bore is what is to be finished.
type Bore struct {
	Stock    float64 // to take off in diameter, µm
	Hardness float64 // HRC, 0 for unhardened
	Ra       float64 // finish wanted, µm
	Before   float64 // Ra of the bore now, µm
	Soft     bool    // bronze or aluminium, in which loose grit beds itself
	Porous   bool    // sintered
	Lined    bool
}

// Method is what to do.
type Method string

// Methods; either where both do.
const (
	Ream      Method = "ream"
	Hone      Method = "hone"
	Either    Method = "either"
	BoreFirst Method = "bore_then_hone" // too much for a hone, too hard for a reamer
	Neither   Method = "neither"        // sized or replaced, not cut
)

// Grit is a stone and what it leaves.
type Grit struct {
	Number int
	Ra     float64 // µm, on hardened steel; on soft steel about twice that
}

// Grits from coarse to fine: aluminium oxide in a hand hone; common practice, no
// published source.
var Grits = []Grit{{80, 0.9}, {150, 0.5}, {220, 0.4}, {280, 0.3}, {400, 0.15}, {500, 0.1}}

// Pass is one grit's share of the stock.
type Pass struct {
	Grit  int
	Stock float64 // µm of diameter
	Ra    float64 // left, µm
}

// Advice is what to do and why.
type Advice struct {
	Method  Method
	Reasons []string
	Passes  []Pass // coarse to fine, where honing is part of it
	Short   bool   // the stock does not suffice to remove the scratches that are there
}

// Advise says whether to ream or hone a bore and with which grits. ErrRange where a
// number is outside what bores have.
func Advise(b Bore) (Advice, error) {
	switch {
	case !(b.Stock > 0 && b.Stock <= 5000):
		return Advice{}, fmt.Errorf("%w: the stock must be over 0 and at most 5000 micrometres of diameter", ErrRange)
	case !(b.Hardness >= 0 && b.Hardness <= 70):
		return Advice{}, fmt.Errorf("%w: hardness must be from 0 (unhardened) to 70 HRC", ErrRange)
	case !(b.Ra >= 0.1 && b.Ra <= 5) || !(b.Before >= 0.1 && b.Before <= 50):
		return Advice{}, fmt.Errorf("%w: the finish wanted must be from 0.1 to 5 micrometres Ra, that of now from 0.1 to 50", ErrRange)
	}
	var a Advice
	switch {
	case b.Porous:
		return Advice{Method: Neither, Reasons: []string{"Cutting smears the pores of sintered metal shut and grit stays in them; size it with a smooth pin, or replace it."}}, nil
	case b.Lined:
		return Advice{Method: Neither, Reasons: []string{"Its running face is a thin lining; what is cut off is the bearing. Replace the bush."}}, nil
	}
	reamable := b.Hardness <= HardestToReam
	switch {
	case !reamable && b.Stock > MostToHone:
		a.Method = BoreFirst
		a.Reasons = append(a.Reasons, "It is too hard for a reamer and there is too much for a hone: have it hard turned or ground, and hone what is left.")
	case !reamable:
		a.Method = Hone
		a.Reasons = append(a.Reasons, "It is too hard for a reamer: the edge would go, not the bore.")
	case b.Stock < LeastToReam:
		a.Method = Hone
		a.Reasons = append(a.Reasons, "There is too little for a reamer, which would rub instead of cutting.")
	case b.Stock > MostToHone:
		a.Method = Ream
		a.Reasons = append(a.Reasons, "There is more than a hone takes off in reasonable time.")
	default:
		a.Method = Either
		a.Reasons = append(a.Reasons, "A reamer cuts it and a hone does; a reamer gives its size at once, a hone any size between.")
	}
	if reamable && b.Hardness > SoftestForHone && (a.Method == Ream || a.Method == Either) {
		a.Reasons = append(a.Reasons, "At this hardness only a reamer of carbide cuts, in a stiff machine; by hand, hone.")
	}
	if a.Method == Ream {
		return a, nil
	}
	if b.Soft {
		a.Reasons = append(a.Reasons, "Loose grit beds itself in bronze and aluminium and laps the pin: wash until a white cloth stays white, or ream.")
	}
	stock := b.Stock
	if a.Method == BoreFirst {
		stock = MostToHone / 2
	}
	a.Passes, a.Short = passes(b, stock)
	if a.Passes[len(a.Passes)-1].Ra > b.Ra {
		a.Reasons = append(a.Reasons, "The finish wanted is finer than the finest stone leaves; lap it afterwards.")
	}
	return a, nil
}

// passes goes back from the coarsest grit that leaves the finish wanted: before it the
// next coarser, as long as the bore is rougher than that leaves it and there is as
// much stock again as the finer one needs.
func passes(b Bore, stock float64) ([]Pass, bool) {
	soft := 1.0
	if b.Hardness < SoftestForHone {
		soft = 2
	}
	last := len(Grits) - 1
	for i, g := range Grits {
		if g.Ra*soft <= b.Ra {
			last = i
			break
		}
	}
	var out []Pass
	for i := last; ; i-- {
		if i == 0 || b.Before <= Grits[i-1].Ra*soft || stock <= 2*Scratches*Grits[i-1].Ra*soft {
			out = append(out, Pass{Grits[i].Number, stock, Grits[i].Ra * soft})
			break
		}
		take := Scratches * Grits[i-1].Ra * soft
		out = append(out, Pass{Grits[i].Number, take, Grits[i].Ra * soft})
		stock -= take
	}
	slices.Reverse(out)
	return out, out[0].Stock < Scratches*b.Before
}
