package coating

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrKind  = errors.New("unknown coating")
	ErrRange = errors.New("outside what can be computed")
)

// Kind is a sort of coating.
type Kind struct {
	Name      string
	Low, High float64 // thickness, µm
	Grows     float64 // share of it that stands outside the old surface
	Throws    float64 // share of the low thickness that arrives in a bore
	Source    string
}

const practice = "common practice, no published source"

// Kinds are the coatings met on hinges, pins and brackets.
var Kinds = []Kind{
	{"zinc_electroplated", 5, 15, 1, 1. / 3, "ISO 2081, least thicknesses 5, 8 and 12 µm, from memory; greatest " + practice},
	{"zinc_electroplated_heavy", 25, 40, 1, 1. / 3, "ISO 2081, least thickness 25 µm, from memory; greatest " + practice},
	{"zinc_hot_dip", 45, 100, 1, 1, "ISO 1461, least 45 to 85 µm by thickness of the part, from memory; greatest " + practice},
	{"cadmium_electroplated", 5, 15, 1, 1. / 3, practice},
	{"nickel_electroplated", 10, 30, 1, 1. / 3, practice},
	{"chrome_hard", 10, 50, 1, 1. / 3, practice},
	{"phosphate_zinc", 2, 15, 1, 1, practice},
	{"phosphate_manganese", 3, 20, 1, 1, practice},
	{"black_oxide", 0, 2, 0.5, 1, practice},
	{"anodised", 5, 25, 0.5, 1, practice},
	{"anodised_hard", 25, 60, 0.5, 1, practice},
	{"electrocoat", 15, 35, 1, 1, practice},
	{"primer", 25, 60, 1, 1, practice},
	{"paint", 60, 150, 1, 1, practice},
	{"powder", 60, 150, 1, 1, practice},
	{"lacquer", 10, 30, 1, 1, practice},
}

// ByName finds one of Kinds; ErrKind tells the names there are.
func ByName(name string) (Kind, error) {
	names := make([]string, len(Kinds))
	for i, k := range Kinds {
		if k.Name == name {
			return k, nil
		}
		names[i] = k.Name
	}
	return Kind{}, fmt.Errorf("%w: %q is none of %v; take the nearest, or give the thickness", ErrKind, name, names)
}

// Range is what one surface takes from the clearance, µm of diameter.
type Range struct{ Low, High float64 }

// Range is what the kind takes on one surface; in a bore from less on.
func (k Kind) Range(bore bool) Range {
	r := Range{2 * k.Grows * k.Low, 2 * k.Grows * k.High}
	if bore {
		r.Low *= k.Throws
	}
	return r
}

// Thickness is what a layer of known thickness takes on one surface, laid on. ErrRange
// where it is not from 0 to 2000 µm, low before high.
func Thickness(low, high float64) (Range, error) {
	if !(low >= 0 && low <= high && high <= 2000) {
		return Range{}, fmt.Errorf("%w: thickness must be from 0 to 2000 micrometres, least before greatest", ErrRange)
	}
	return Range{2 * low, 2 * high}, nil
}

// Left is what is left of a clearance.
type Left struct {
	Low, High float64 // taken by both surfaces together
	Mean, U   float64 // clearance left
	Enough    float64 // probability that at least what is needed is left
}

// Leave works out what pin's and bore's coatings leave of a clearance with its
// standard uncertainty, and the probability that it is at least what is needed; all µm
// of diameter. ErrRange where clearance or needed are beyond ±10000, or u is not over 0
// and at most 10000.
func Leave(clearance, u, needed float64, pin, bore Range) (Left, error) {
	ok := func(r Range) bool { return r.Low >= 0 && r.Low <= r.High && r.High <= 4000 }
	switch {
	case !(math.Abs(clearance) <= 1e4) || !(math.Abs(needed) <= 1e4):
		return Left{}, fmt.Errorf("%w: clearances must be within 10 mm", ErrRange)
	case !(u > 0 && u <= 1e4):
		return Left{}, fmt.Errorf("%w: the clearance's uncertainty must be over 0 and at most 10 mm", ErrRange)
	case !ok(pin) || !ok(bore):
		return Left{}, fmt.Errorf("%w: what a surface takes must be from 0 to 4000 micrometres, least before greatest", ErrRange)
	}
	l := Left{Low: pin.Low + bore.Low, High: pin.High + bore.High}
	l.Mean = clearance - (l.Low+l.High)/2
	l.U = math.Sqrt(u*u + variance(pin) + variance(bore))
	l.Enough = enough(l.Mean-needed, u, pin.High-pin.Low, bore.High-bore.Low)
	return l, nil
}

// variance of a rectangle (JCGM 100, 4.3.7).
func variance(r Range) float64 { return (r.High - r.Low) * (r.High - r.Low) / 12 }

// enough is the probability that a normal law with mean and deviation u, less two
// centred rectangles of widths v and w, is over 0. A width below a tenth of u is folded
// into u: in the closed form it would be the small difference of large numbers, and
// its shape is lost behind u anyway.
func enough(mean, u, v, w float64) float64 {
	if v < w {
		v, w = w, v
	}
	if w < u/10 {
		u, w = math.Sqrt(u*u+w*w/12), 0
	}
	if v < u/10 {
		u, v = math.Sqrt(u*u+v*v/12), 0
	}
	x := mean / u
	v, w = v/u, w/u
	var p float64
	switch {
	case v == 0:
		p = distuv.UnitNormal.CDF(x)
	case w == 0:
		p = (once(x+v/2) - once(x-v/2)) / v
	default:
		p = (twice(x+(v+w)/2) - twice(x+(v-w)/2) - twice(x-(v-w)/2) + twice(x-(v+w)/2)) / v / w
	}
	return math.Max(0, math.Min(1, p))
}

// once and twice integrate the normal distribution function from minus infinity,
// once and twice over.
func once(x float64) float64 {
	return x*distuv.UnitNormal.CDF(x) + distuv.UnitNormal.Prob(x)
}

func twice(x float64) float64 {
	return ((x*x+1)*distuv.UnitNormal.CDF(x) + x*distuv.UnitNormal.Prob(x)) / 2
}
