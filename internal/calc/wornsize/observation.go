package wornsize

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Limits of what Estimate accepts, µm. They keep every product inside a
// float64 and lie far outside any garage.
const (
	farthest = 1e6  // from nominal, either way
	finest   = 1e-3 // a blur below 1 nm is a slip of units
)

// observation is a reading in the coordinates of the computation: a pin is
// turned into a bore by negating sizes, shared errors that touch one reading
// only are folded in.
type observation struct {
	kind      Kind
	value     float64
	u         float64
	low, high float64 // bias: value lies between true+low and true+high
	common    int     // shared error still to be integrated, or −1
	sign      float64 // of the shared error in these coordinates
	station   Station
	direction float64 // degrees, NaN when unknown
	part      bool
	lip       float64 // mean burr this reading may have met, 0 for none
	slip      float64 // log of Slip × the density that a slip of this reading has everywhere
}

// plain reports that nothing but a normal blur stands between size and reading.
func (o observation) plain() bool { return o.low == o.high && o.lip == 0 }

// logPeak is minus the log of the blur's greatest density.
func (o observation) logPeak() float64 { return logSqrtTwoPi + math.Log(o.u) }

// centre is where the true size lies when the blur is zero.
func (o observation) centre() float64 { return o.value - (o.low+o.high)/2 }

// logDensity is the log density of the reading when the true size is x.
func (o observation) logDensity(x float64) float64 { return logSum(o.logBlur(x), o.slip) }

func (o observation) logBlur(x float64) float64 {
	r := o.value - x
	switch {
	case o.lip > 0:
		return o.logLipDensity(r)
	case o.low == o.high:
		z := (r - o.low) / o.u
		return -0.5*z*z - logSqrtTwoPi - math.Log(o.u)
	}
	return logNormalInterval((r-o.high)/o.u, (r-o.low)/o.u) - math.Log(o.high-o.low)
}

// logLipDensity is logDensity of residual r when a burr, exponential with
// mean lip, was taken from the size: an exponentially modified normal law.
func (o observation) logLipDensity(r float64) float64 {
	at := func(bias float64) float64 {
		d := (r - bias) / o.u
		k := o.u / o.lip
		return d*k + 0.5*k*k + logNormalCDF(-d-k) - math.Log(o.lip)
	}
	if o.low == o.high {
		return at(o.low)
	}
	gauss := legendre32()
	var logs [32]float64
	most := math.Inf(-1)
	for k, node := range gauss.x {
		logs[k] = at(o.low + node*(o.high-o.low))
		most = math.Max(most, logs[k])
	}
	var sum float64
	for k, w := range gauss.w {
		sum += w * math.Exp(logs[k]-most)
	}
	return most + math.Log(sum)
}

// cylinder is a feature in the coordinates of the computation.
type cylinder struct {
	observations []observation
	bell         [3]float64 // mean of t in MouthA, Middle, MouthB
	oval         [3]float64 // mean of w
	reach        float64    // 1 floating, 2 held to the original axis
	surface      float64
	offset       float64 // added to the clean-up size by misalignment
	feel         float64
	lobing       float64
	prior        Prior
	mirror       bool
}

// round reports that the cylinder has one size and no form error.
func (c cylinder) round() bool { return c.bell == [3]float64{} && c.oval == [3]float64{} }

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.Abs(v) > farthest {
			return false
		}
	}
	return true
}

// prepare checks a set and turns it into cylinders and the shared errors that
// touch at least two readings. kept[c] is the place of Commons[c] among them.
func prepare(set Set) (cylinders []cylinder, shared []Common, err error) {
	for c, common := range set.Commons {
		if !finite(common.U, common.HalfWidth) || common.U < 0 || common.HalfWidth < 0 {
			return nil, nil, fmt.Errorf("shared error %d: give a standard uncertainty and a half width between 0 and %g µm, not %g and %g", c, farthest, common.U, common.HalfWidth)
		}
	}
	touches := make([]int, len(set.Commons))
	for f, feature := range set.Features {
		if err := checkFeature(feature, len(set.Commons)); err != nil {
			return nil, nil, fmt.Errorf("feature %d: %w", f, err)
		}
		for _, r := range feature.Readings {
			if r.Common >= 0 {
				touches[r.Common]++
			}
		}
	}
	place := make([]int, len(set.Commons))
	for c, common := range set.Commons {
		place[c] = -1
		if touches[c] > 1 && (common.U > 0 || common.HalfWidth > 0) {
			place[c] = len(shared)
			shared = append(shared, common)
		}
	}
	// A rectangular shared error cannot be folded into a reading whose method
	// bias is a rectangle already: it is integrated like one that is shared.
	for _, feature := range set.Features {
		for _, r := range feature.Readings {
			if c := r.Common; c >= 0 && place[c] < 0 && r.BiasLow != r.BiasHigh &&
				set.Commons[c].U == 0 && set.Commons[c].HalfWidth > 0 {
				place[c] = len(shared)
				shared = append(shared, set.Commons[c])
			}
		}
	}
	for f, feature := range set.Features {
		c, err := newCylinder(feature, set.Commons, place)
		if err != nil {
			return nil, nil, fmt.Errorf("feature %d: %w", f, err)
		}
		cylinders = append(cylinders, c)
	}
	return cylinders, shared, nil
}

func checkFeature(f Feature, commons int) error {
	if f.Shape != Bore && f.Shape != Pin {
		return fmt.Errorf("shape %d is neither Bore nor Pin", f.Shape)
	}
	if f.Guidance != Floating && f.Guidance != HeldToAxis {
		return fmt.Errorf("guidance %d is neither Floating nor HeldToAxis", f.Guidance)
	}
	p := f.Prior
	if !finite(p.Low, p.High, p.Shoulder) || p.High < p.Low || p.Shoulder < 0 || p.High-p.Low+p.Shoulder < finest {
		return fmt.Errorf("prior from %g to %g with shoulder %g: give finite sizes in µm from nominal, Low not above High, and a width or a shoulder of at least %g µm", p.Low, p.High, p.Shoulder, finest)
	}
	m := f.Form
	for _, v := range []struct {
		name  string
		value float64
	}{
		{"BellMouth", m.BellMouth}, {"MiddleShare", m.MiddleShare}, {"Ovality", m.Ovality},
		{"Surface", m.Surface}, {"Feel", m.Feel}, {"Burr", m.Burr}, {"Misalignment", f.Misalignment},
	} {
		if math.IsNaN(v.value) || v.value < 0 || v.value > 1e5 {
			return fmt.Errorf("%s is %g: give a number between 0 and 1e5", v.name, v.value)
		}
	}
	if m.BellMouth*m.MiddleShare > 1e5 || m.Ovality*m.MiddleShare > 1e5 {
		return fmt.Errorf("MiddleShare %g makes the form error larger than 1e5 µm: it is a share, usually between 0 and 1", m.MiddleShare)
	}
	if m.Lobing != 0 && !(m.Lobing >= 1 && m.Lobing <= 8) {
		return fmt.Errorf("Lobing is %g: give 2 for an ellipse, 1 for one-sided wear, at most 8, or 0 for 2", m.Lobing)
	}
	for i, r := range f.Readings {
		if err := checkReading(r, commons); err != nil {
			return fmt.Errorf("reading %d: %w", i, err)
		}
	}
	return nil
}

func checkReading(r Reading, commons int) error {
	if r.Kind < Measured || r.Kind > Starts {
		return fmt.Errorf("kind %d is none of Measured, Go, NoGo, Starts", r.Kind)
	}
	if r.Station < AnyStation || r.Station > MouthB {
		return fmt.Errorf("station %d is none of AnyStation, MouthA, Middle, MouthB", r.Station)
	}
	if r.Kind != Measured && r.Station == Middle {
		return fmt.Errorf("a gauge is tried at an end: give MouthA, MouthB or AnyStation, not Middle")
	}
	if !finite(r.Value, r.U, r.BiasLow, r.BiasHigh) {
		return fmt.Errorf("value %g, u %g, bias %g to %g: give finite numbers in µm from nominal, within ±%g", r.Value, r.U, r.BiasLow, r.BiasHigh, farthest)
	}
	if r.U < 0 || r.U > 0 && r.U < finest {
		return fmt.Errorf("u is %g: give the standard uncertainty in µm, at least %g", r.U, finest)
	}
	if r.BiasHigh < r.BiasLow {
		return fmt.Errorf("bias from %g to %g runs backwards: BiasLow must not exceed BiasHigh", r.BiasLow, r.BiasHigh)
	}
	if math.IsInf(r.Direction, 0) {
		return fmt.Errorf("direction is infinite: give degrees across the axis, or NaN when it was not noted")
	}
	if r.Common < -1 || r.Common >= commons {
		return fmt.Errorf("shared error %d does not exist: give an index below %d, or -1 for none", r.Common, commons)
	}
	return nil
}

// newCylinder folds and mirrors one checked feature.
func newCylinder(f Feature, commons []Common, place []int) (cylinder, error) {
	m := f.Form
	c := cylinder{
		reach: 1, feel: m.Feel, lobing: m.Lobing, prior: f.Prior.rounded(), mirror: f.Shape == Pin,
	}
	if c.lobing == 0 {
		c.lobing = 2
	}
	burr := m.Burr
	if burr == 0 {
		burr = m.BellMouth
	}
	mouth, middle, rim := m.BellMouth, m.BellMouth*m.MiddleShare, m.Ovality
	centre := m.Ovality
	if c.mirror { // a pin wears in the middle; its ends take a share
		mouth, middle = middle, mouth
		rim = m.Ovality * m.MiddleShare
		c.prior.Low, c.prior.High = -f.Prior.High, -f.Prior.Low
	} else {
		c.surface, c.offset = m.Surface, 2*f.Misalignment
		if f.Guidance == HeldToAxis {
			c.reach = 2
		}
	}
	c.bell, c.oval = [3]float64{mouth, middle, mouth}, [3]float64{rim, centre, rim}
	for i, r := range f.Readings {
		o := observation{
			kind: r.Kind, value: r.Value, u: r.U, low: r.BiasLow, high: r.BiasHigh, common: -1, sign: 1,
			station: r.Station, direction: math.NaN(), part: r.PartLength,
		}
		if r.Burred && r.Station != Middle { // a lip is at a mouth
			o.lip = burr
		}
		if r.Common >= 0 {
			shared := commons[r.Common]
			switch {
			case place[r.Common] >= 0:
				o.common = place[r.Common]
			case shared.U > 0:
				o.u = math.Hypot(o.u, shared.U)
			case shared.HalfWidth > 0:
				o.low, o.high = o.low-shared.HalfWidth, o.high+shared.HalfWidth
			}
		}
		if o.high-o.low < 1e-3*o.u { // too narrow to tell from a shift
			o.low = (o.low + o.high) / 2
			o.high = o.low
		}
		if o.u == 0 {
			return c, fmt.Errorf("reading %d: u is 0 and no normal shared error of its own stands in for it: give what repeating the reading would scatter by, at least its resolution/√12", i)
		}
		if r.Kind == Measured && r.Station != AnyStation && !math.IsNaN(r.Direction) {
			o.direction = math.Mod(r.Direction, 180)
			if o.direction < 0 {
				o.direction += 180
			}
		}
		o.slip = o.slipOf(spanOf(f))
		if c.mirror {
			o.value, o.low, o.high, o.sign = -o.value, -o.high, -o.low, -1
		}
		c.observations = append(c.observations, o)
	}
	sortObservations(c.observations)
	c.dropNegligible()
	return c, nil
}

// spanOf is how wide the readings of a feature may lie before any is taken, µm.
func spanOf(f Feature) float64 {
	p := f.Prior
	return p.High - p.Low + p.Shoulder*math.Sqrt(2*math.Pi) + f.Form.BellMouth + f.Form.Ovality
}

// slipOf is the log of Slip × the density of a slip: like a reading of another
// cylinder of which as much is known, it may lie anywhere within span.
func (o observation) slipOf(span float64) float64 {
	return math.Log(Slip / (span + (o.high - o.low) + o.u*math.Sqrt(2*math.Pi)))
}

// dropNegligible takes form errors that no reading can tell from none, below
// a thousandth of the sharpest blur, as none.
func (c *cylinder) dropNegligible() {
	sharpest := c.prior.High - c.prior.Low + c.prior.Shoulder
	for _, o := range c.observations {
		sharpest = math.Min(sharpest, o.u)
	}
	for z := range 3 {
		for _, mean := range [2]*float64{&c.bell[z], &c.oval[z]} {
			if *mean < 1e-3*sharpest {
				*mean = 0
			}
		}
	}
	if c.surface < 1e-3*sharpest {
		c.surface = 0
	}
	for i := range c.observations {
		if o := &c.observations[i]; o.lip < 1e-3*o.u {
			o.lip = 0
		}
	}
}

// sortObservations puts readings in an order that does not depend on how they
// were sent, so that the same readings give the same bytes.
func sortObservations(all []observation) {
	slices.SortStableFunc(all, func(a, b observation) int {
		return cmp.Or(
			cmp.Compare(a.kind, b.kind), cmp.Compare(a.station, b.station), cmp.Compare(a.value, b.value),
			cmp.Compare(a.u, b.u), cmp.Compare(a.low, b.low), cmp.Compare(a.high, b.high),
			cmp.Compare(a.common, b.common), cmp.Compare(a.direction, b.direction),
			cmp.Compare(a.lip, b.lip), compareBool(a.part, b.part),
		)
	})
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
