package wornsize

import (
	"errors"
	"fmt"
	"math"
)

// LogLikelihood is the natural log of the probability (density, per µm for
// each measured reading) of all readings of a feature when its base size is
// size µm from nominal, form errors integrated out, whatever the prior.
// Without any form error it is the exact interval-censored likelihood: its
// maximum over size is the maximum likelihood estimate, and where it has
// fallen by 1.92 ends the profile interval of 95 %. With form errors it is
// right to about 1e-3. Readings that share an error have no likelihood of
// their own: their Common must be −1, or an error says so.
func LogLikelihood(f Feature, size float64) (float64, error) {
	if !finite(size) {
		return 0, fmt.Errorf("size is %g: give µm from nominal, within ±%g", size, farthest)
	}
	for i, r := range f.Readings {
		if r.Common != -1 {
			return 0, fmt.Errorf("reading %d shares error %d: a likelihood is of readings on their own, set Common to -1 or ask Estimate", i, r.Common)
		}
	}
	width := spanOf(f)
	f.Prior = Prior{Low: size, High: size, Shoulder: 1}
	cylinders, _, err := prepare(Set{Features: []Feature{f}})
	if err != nil {
		return 0, err
	}
	c := cylinders[0]
	for i := range c.observations {
		c.observations[i].slip = c.observations[i].slipOf(width)
	}
	at := size
	if c.mirror {
		at = -size
	}
	if c.round() {
		return c.roundLikelihood(at), nil
	}
	if len(c.observations) == 0 {
		return 0, nil
	}
	// The posterior density of the base under any prior, times the evidence and
	// over the prior's density, is the likelihood: a prior about as narrow as
	// the sharpest reading keeps the mesh where size is.
	sharpest := math.Inf(1)
	for _, o := range c.observations {
		sharpest = math.Min(sharpest, o.u)
	}
	c.prior.Shoulder = sharpest
	a := takeArena()
	defer a.giveBack()
	e, got := locate(a, c, nil, nil, nil, 1)
	if got.base == nil {
		return math.Inf(-1), nil
	}
	s := e.mesh.s
	i := e.mesh.from(e.mesh.cellOf(at))
	basis := newBasis(s[i : i+4])
	var relative float64
	for k, w := range basis.at(at) {
		relative += w * got.base[i+k] / c.prior.density(s[i+k])
	}
	return got.logEvidence + math.Log(math.Max(relative, math.SmallestNonzeroFloat64)), nil
}

// roundLikelihood is the log likelihood at size x when nothing but the burr of
// a mouth departs from a perfect cylinder.
func (c cylinder) roundLikelihood(x float64) float64 {
	a := takeArena()
	defer a.giveBack()
	var sum float64
	for _, o := range c.observations {
		if o.kind == Measured {
			sum += o.logDensity(x)
			continue
		}
		var probability float64
		for _, p := range o.gaugeOutcome(a, []float64{x}, c.feel, 0).products {
			v := 1.0
			if p.mouth != nil {
				v *= p.mouth[0]
			}
			if p.whole != nil {
				v *= p.whole[0]
			}
			probability += v
		}
		sum += math.Log(math.Max(probability, math.SmallestNonzeroFloat64))
	}
	return sum
}

// Contradiction is two readings of one feature that can hardly be true
// together, by their places in Feature.Readings.
type Contradiction struct {
	First, Second int
	Text          string // which two and why, in µm from nominal
}

// ErrUnchecked says that contradictions were asked of a feature that Estimate
// would refuse.
var ErrUnchecked = errors.New("the feature is not valid")

// Contradictions lists the pairs of readings of a feature that lie more than
// three joint standard uncertainties, and more than its form error can
// explain (eight means, so one in 3000), on the wrong sides of each other.
// Pairs are in ascending order; shared errors are counted as if they were not
// shared, which only hides a contradiction, never makes one. They are no error
// of Estimate, which answers between them: the caller shows them, because one
// of the two is probably a slip. An invalid feature gives ErrUnchecked wrapped.
func Contradictions(f Feature, commons []Common) ([]Contradiction, error) {
	cylinders, _, err := prepare(Set{Features: []Feature{f}, Commons: commons})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrUnchecked, err)
	}
	c := cylinders[0]
	var list []Contradiction
	for i := range f.Readings {
		for j := i + 1; j < len(f.Readings); j++ {
			if text := contradiction(f, c, commons, i, j); text != "" {
				list = append(list, Contradiction{i, j, text})
			}
		}
	}
	return list, nil
}

// claim is what one reading says of the sizes, in bore coordinates: at least
// low for the smallest section (whole) or for a mouth, at most high likewise.
type claim struct {
	measured          bool
	value, u          float64
	least, most       bool // bounds the sizes from below, from above
	whole, partOfIt   bool // least speaks of every section, most of some section only
	station           Station
	slackLow, slackUp float64
}

func claimOf(f Feature, r Reading, commons []Common) claim {
	sign := 1.0
	low, high := r.BiasLow, r.BiasHigh
	if f.Shape == Pin {
		sign, low, high = -1, -high, -low
	}
	c := claim{value: sign * r.Value, u: r.U, station: r.Station, slackLow: high, slackUp: low}
	if r.Common >= 0 {
		c.u = math.Sqrt(r.U*r.U + variance(commons[r.Common]))
	}
	switch r.Kind {
	case Measured:
		c.measured = true
	case Go:
		c.least, c.whole = true, !r.PartLength
	case NoGo:
		c.most = !r.Burred
	case Starts:
		c.least, c.most, c.partOfIt = true, true, true
	}
	return c
}

// contradiction explains why two readings contradict each other, or is empty.
func contradiction(f Feature, c cylinder, commons []Common, i, j int) string {
	a, b := claimOf(f, f.Readings[i], commons), claimOf(f, f.Readings[j], commons)
	form := 8 * (max(c.bell[0], c.bell[1]) + max(c.oval[0], c.oval[1]))
	margin := 3 * math.Hypot(a.u, b.u)
	if a.measured && b.measured {
		lowest := math.Max(a.value-a.slackLow, b.value-b.slackLow)
		highest := math.Min(a.value-a.slackUp, b.value-b.slackUp)
		if lowest-highest > margin+form {
			return fmt.Sprintf("readings %d and %d measured %g and %g µm: further apart than blur and form allow", i, j, f.Readings[i].Value, f.Readings[j].Value)
		}
		return ""
	}
	for _, pair := range [2][2]claim{{a, b}, {b, a}} {
		lower, upper := pair[0], pair[1]
		if !lower.least && !lower.measured || !upper.most && !upper.measured || lower.measured && upper.measured {
			continue
		}
		allowed := margin
		switch {
		case lower.measured: // a mouth that refuses a gauge can still measure larger by its form
			allowed += form
		case !lower.whole && (upper.partOfIt || !sameEnd(lower, upper)):
			allowed += form // one mouth is large, another section is small
		}
		if lower.value-lower.slackLow-(upper.value-upper.slackUp) > allowed {
			return fmt.Sprintf("readings %d and %d, of %g and %g µm: one says the size is above what the other lets it be", i, j, f.Readings[i].Value, f.Readings[j].Value)
		}
	}
	return ""
}

// sameEnd reports that a claim about the lower end speaks of the mouth that
// the other refuses: only then must the sizes agree whatever the form.
func sameEnd(lower, upper claim) bool {
	return upper.station == AnyStation || lower.station == upper.station
}
