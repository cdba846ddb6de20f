package wornsize

import "math"

// density is the prior's density at base size b, per µm.
func (p Prior) density(b float64) float64 {
	norm := p.High - p.Low + p.Shoulder*math.Sqrt(2*math.Pi)
	switch {
	case b < p.Low:
		if p.Shoulder == 0 {
			return 0
		}
		z := (b - p.Low) / p.Shoulder
		return math.Exp(-0.5*z*z) / norm
	case b > p.High:
		if p.Shoulder == 0 {
			return 0
		}
		z := (b - p.High) / p.Shoulder
		return math.Exp(-0.5*z*z) / norm
	}
	return 1 / norm
}

// rounded gives hard edges a shoulder of a thousandth of the width, so that
// no quadrature meets a jump.
func (p Prior) rounded() Prior {
	p.Shoulder = math.Max(p.Shoulder, (p.High-p.Low)*1e-3)
	return p
}

// smallest is the prior density, per µm, of the smallest of the sections'
// smallest sizes, B + Exp(mean), where 1/mean sums the rates of the sections.
func (p Prior) smallest(size, mean float64) float64 {
	if mean <= 0 {
		return p.density(size)
	}
	// Each shoulder times the exponential is a normal law cut off, the flat
	// middle a difference of exponentials.
	norm := p.High - p.Low + p.Shoulder*math.Sqrt(2*math.Pi)
	k := p.Shoulder / mean
	shoulder := func(edge, logPart float64) float64 {
		if p.Shoulder == 0 {
			return 0
		}
		return k * math.Sqrt(2*math.Pi) * math.Exp((edge-size)/mean+0.5*k*k+logPart)
	}
	if size <= p.Low {
		return shoulder(p.Low, logNormalCDF((size-p.Low)/p.Shoulder-k)) / norm
	}
	sum := shoulder(p.Low, logNormalCDF(-k)) + math.Exp((math.Min(size, p.High)-size)/mean) - math.Exp((p.Low-size)/mean)
	if size > p.High {
		sum += shoulder(p.High, logNormalInterval(-k, (size-p.High)/p.Shoulder-k))
	}
	return sum / norm
}
