package pressfit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// At returns the joint at an interference in mm, over 0. A *PlasticError when it is
// beyond the elastic range, ErrRange when it is no such number.
func (l Law) At(interference float64) (Result, error) {
	if !(interference > 0 && interference <= l.diameter/100) {
		return Result{}, fmt.Errorf("%w: interference must be over 0 and at most a hundredth of the diameter, %.4g mm", ErrRange, l.diameter/100)
	}
	u := l.PerUM
	k := interference / u.Interference
	r := Result{Interference: interference, Pressure: u.Pressure * k,
		HubBore: u.HubBore.times(k), HubOutside: u.HubOutside.times(k), PinSurface: u.PinSurface.times(k), PinInside: u.PinInside.times(k),
		Force: u.Force * k, Hold: u.Hold * k, Torque: u.Torque * k, HoldTorque: u.HoldTorque * k,
		HubBoreGrows: u.HubBoreGrows * k, HubOutsideGrows: u.HubOutsideGrows * k, PinGrows: u.PinGrows * k, PinBoreGrows: u.PinBoreGrows * k,
		HubUse: u.HubUse * k, PinUse: u.PinUse * k}
	r.Safe = l.hub.Yield > 0 && l.pin.Yield > 0 && r.HubUse <= 1 && r.PinUse <= 1
	if interference <= l.Elastic {
		return r, nil
	}
	e := &PlasticError{Part: "hub", Brittle: l.hub.Brittle, Stress: ending(l.hub, r.HubBore), Limit: l.hub.Yield, Interference: l.Elastic}
	if strain(l.pin, r.PinSurface, r.PinInside) > strain(l.hub, r.HubBore) {
		e = &PlasticError{Part: "pin", Brittle: l.pin.Brittle, Stress: math.Max(ending(l.pin, r.PinSurface), ending(l.pin, r.PinInside)), Limit: l.pin.Yield, Interference: l.Elastic}
	}
	return Result{}, e
}

// Forces is the law of a force when the interference is not known exactly.
type Forces struct {
	Mean, SD     float64 // N; no force where there is no interference
	Loose        float64 // probability that there is no interference at all
	Overstressed float64 // probability that the interference is beyond Law.Allowed
	Plastic      float64 // probability that it is beyond Law.Elastic, where no force here holds
	mean, sd, k  float64
}

// Force is the pressing force for an interference that is normal with mean and
// standard deviation in mm (what roughness takes already taken off). Without
// interference there is no force, so the law is a normal one cut at zero: its mean
// and deviation are closed forms. perUM chooses the force: PerUM.Force to push in,
// PerUM.Hold to hold. ErrRange when mean or sd is no number, or sd is below 0; an sd
// of 0 is an interference known exactly.
func (l Law) Force(mean, sd, perUM float64) (Forces, error) {
	if !finite(mean, sd, perUM) || sd < 0 || perUM < 0 {
		return Forces{}, fmt.Errorf("%w: mean and standard deviation of the interference must be numbers, the deviation not below 0", ErrRange)
	}
	f := Forces{mean: mean, sd: sd, k: perUM / l.PerUM.Interference}
	f.Loose, f.Overstressed, f.Plastic = 1-f.beyond(0), f.beyond(l.Allowed), f.beyond(l.Elastic)
	if sd == 0 {
		f.Mean = f.k * math.Max(0, mean)
		return f, nil
	}
	z := mean / sd
	phi, cum := distuv.UnitNormal.Prob(z), distuv.UnitNormal.CDF(z)
	first := mean*cum + sd*phi
	second := (mean*mean+sd*sd)*cum + mean*sd*phi
	f.Mean, f.SD = f.k*first, f.k*math.Sqrt(math.Max(0, second-first*first))
	return f, nil
}

// beyond is the probability of more interference than x mm.
func (f Forces) beyond(x float64) float64 {
	switch {
	case math.IsInf(x, 1):
		return 0
	case f.sd > 0:
		return distuv.UnitNormal.CDF((f.mean - x) / f.sd)
	case f.mean > x:
		return 1
	}
	return 0
}

// Exceeds is the probability that more than n newtons are needed.
func (f Forces) Exceeds(n float64) float64 {
	if n < 0 {
		return 1
	}
	if f.k == 0 {
		return 0
	}
	return f.beyond(n / f.k)
}

// Quantile is the force in N that is not exceeded with probability p, 0 < p < 1;
// it panics for any other p.
func (f Forces) Quantile(p float64) float64 {
	if !(p > 0 && p < 1) {
		panic(fmt.Sprintf("pressfit: quantile of %v", p))
	}
	return f.k * math.Max(0, f.mean+f.sd*distuv.UnitNormal.Quantile(p))
}

// HubBrittle says whether the hub breaks before it yields, so that its greatest
// pull decides.
func (l Law) HubBrittle() bool { return l.hub.Brittle }
