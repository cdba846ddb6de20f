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
	var sum float64
	floor := size - 40*mean
	for _, piece := range [3][2]float64{
		{math.Min(p.Low, size) - 9*p.Shoulder, p.Low}, {p.Low, p.High}, {p.High, p.High + 9*p.Shoulder},
	} {
		a, b := math.Max(piece[0], floor), math.Min(piece[1], size)
		if !(b > a) {
			continue
		}
		gauss := legendre32()
		for k, node := range gauss.x {
			base := a + (b-a)*node
			sum += gauss.w[k] * (b - a) * p.density(base) * math.Exp((base-size)/mean) / mean
		}
	}
	return sum
}
