package wornsize

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

// bruteForce is the model of the package written down a second time, as plain
// as it can be, for importance sampling. It shares no code with Estimate but
// the types. Angles, burrs and biases are drawn anew for every draw and
// reading, so that the weights are unbiased estimates of the likelihood.
type bruteForce struct {
	set   Set
	rng   *rand.Rand
	slots []slot
}

// slot is one sampled coordinate, standard normal before any reading unless it
// is a base size.
type slot struct {
	feature, section int
	what             byte // 'b' base, 't' bell mouth, 'w' ovality, 'c' shared error (section is its index)
	mean             float64
}

func newBruteForce(set Set, seed uint64) *bruteForce {
	m := &bruteForce{set: set, rng: rand.New(rand.NewPCG(seed, 20))}
	for c, common := range set.Commons {
		if common.U > 0 || common.HalfWidth > 0 {
			m.slots = append(m.slots, slot{section: c, what: 'c'})
		}
	}
	for f, feature := range set.Features {
		m.slots = append(m.slots, slot{feature: f, what: 'b'})
		for z := range 3 {
			bell, oval := feature.Form.BellMouth, feature.Form.Ovality
			share := feature.Form.MiddleShare
			if feature.Shape == Bore && z == 1 {
				bell *= share
			}
			if feature.Shape == Pin && z != 1 {
				bell, oval = bell*share, oval*share
			}
			if bell > 0 {
				m.slots = append(m.slots, slot{f, z, 't', bell})
			}
			if oval > 0 {
				m.slots = append(m.slots, slot{f, z, 'w', oval})
			}
		}
	}
	return m
}

// drawn is one state of all features.
type drawn struct {
	base             []float64
	t, w             [][3]float64
	shared           []float64
	passing, largest []float64
}

// state turns standard coordinates into sizes, and gives the log prior density
// of the coordinates.
func (m *bruteForce) state(y []float64, d *drawn) (logPrior float64) {
	n := len(m.set.Features)
	if d.base == nil {
		*d = drawn{make([]float64, n), make([][3]float64, n), make([][3]float64, n), make([]float64, len(m.set.Commons)), make([]float64, n), make([]float64, n)}
	}
	for i, s := range m.slots {
		x := y[i]
		if s.what != 'b' {
			logPrior += -0.5*x*x - 0.5*math.Log(2*math.Pi)
		}
		switch s.what {
		case 'b':
			p := m.set.Features[s.feature].Prior
			d.base[s.feature] = x
			out := math.Max(0, math.Max(p.Low-x, x-p.High))
			if out > 0 {
				logPrior -= 0.5 * out * out / (p.Shoulder * p.Shoulder)
			}
			logPrior -= math.Log(p.High - p.Low + p.Shoulder*math.Sqrt(2*math.Pi))
		case 't':
			d.t[s.feature][s.section] = -s.mean * math.Log(0.5*math.Erfc(x/math.Sqrt2))
		case 'w':
			d.w[s.feature][s.section] = -s.mean * math.Log(0.5*math.Erfc(x/math.Sqrt2))
		case 'c':
			common := m.set.Commons[s.section]
			if common.U > 0 {
				d.shared[s.section] = common.U * x
			} else {
				d.shared[s.section] = common.HalfWidth * math.Erf(x/math.Sqrt2)
			}
		}
	}
	return logPrior
}

func phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// logLikelihood draws what is not in the coordinates and weighs the state.
func (m *bruteForce) logLikelihood(d *drawn) float64 {
	var sum float64
	for f, feature := range m.set.Features {
		sign := 1.0
		if feature.Shape == Pin {
			sign = -1
		}
		var small, large [3]float64 // of a bore; of a pin negated, so that "small" is its largest size
		for z := range 3 {
			small[z] = sign*d.base[f] + d.t[f][z]
			large[z] = small[z] + d.w[f][z]
		}
		whole := math.Min(small[0], math.Min(small[1], small[2]))
		d.passing[f] = sign * whole
		reach := 1.0
		if feature.Shape == Bore && feature.Guidance == HeldToAxis {
			reach = 2
		}
		top := math.Inf(-1)
		for z := range 3 {
			top = math.Max(top, small[z]+reach*d.w[f][z])
		}
		if feature.Shape == Bore {
			top += 2 * feature.Misalignment
			if feature.Form.Surface > 0 {
				top += m.rng.ExpFloat64() * feature.Form.Surface
			}
		}
		d.largest[f] = sign * top
		lobing := feature.Form.Lobing
		if lobing == 0 {
			lobing = 2
		}
		sum += m.measured(feature, f, d, small, lobing, sign)
		for _, r := range feature.Readings {
			if r.Kind != Measured {
				sum += math.Log(m.gauge(feature, r, d, small, whole, sign))
			}
		}
	}
	return sum
}

// density of a measured reading when the local size (negated for a pin) is x.
func (m *bruteForce) density(feature Feature, r Reading, d *drawn, x, sign float64) float64 {
	if r.Burred && r.Station != Middle {
		burr := feature.Form.Burr
		if burr == 0 {
			burr = feature.Form.BellMouth
		}
		x -= burr * m.rng.ExpFloat64()
	}
	e := r.Value - sign*x - r.BiasLow
	if r.BiasHigh > r.BiasLow {
		e -= (r.BiasHigh - r.BiasLow) * m.rng.Float64()
	}
	if r.Common >= 0 {
		e -= d.shared[r.Common]
	}
	return math.Exp(-0.5*e*e/(r.U*r.U)) / (r.U * math.Sqrt(2*math.Pi))
}

func (m *bruteForce) measured(feature Feature, f int, d *drawn, small [3]float64, lobing, sign float64) float64 {
	var sum float64
	share := func(angle float64) float64 {
		c := math.Abs(math.Cos(angle))
		if lobing == 2 {
			return c * c
		}
		return math.Pow(c, lobing)
	}
	average := func(z int, readings []Reading, directed bool) float64 {
		finest := math.Inf(1)
		for _, r := range readings {
			finest = math.Min(finest, r.U)
		}
		w := d.w[f][z]
		n := 4 + int(2*w/finest)
		if w == 0 && len(readings) == 1 && !readings[0].Burred && readings[0].BiasHigh == readings[0].BiasLow {
			n = 1
		}
		start, total := m.rng.Float64(), 0.0
		for k := range n {
			angle := math.Pi * (float64(k) + start) / float64(n)
			p := 1.0
			for _, r := range readings {
				a := angle
				if directed {
					a -= r.Direction * math.Pi / 180
				}
				p *= m.density(feature, r, d, small[z]+w*share(a), sign)
			}
			total += p
		}
		return total / float64(n)
	}
	for z := range 3 {
		var directed []Reading
		for _, r := range feature.Readings {
			switch {
			case r.Kind != Measured || int(r.Station) != z+1:
			case math.IsNaN(r.Direction):
				sum += math.Log(average(z, []Reading{r}, false))
			default:
				directed = append(directed, r)
			}
		}
		if len(directed) > 0 {
			sum += math.Log(average(z, directed, true))
		}
	}
	for _, r := range feature.Readings {
		if r.Kind == Measured && r.Station == AnyStation {
			var p float64
			for z := range 3 {
				p += average(z, []Reading{r}, false) / 3
			}
			sum += math.Log(p)
		}
	}
	return sum
}

// gauge is the probability of a gauged outcome, a burr and a bias drawn.
func (m *bruteForce) gauge(feature Feature, r Reading, d *drawn, small [3]float64, whole, sign float64) float64 {
	mouth := math.Max(small[0], small[2])
	switch r.Station {
	case MouthA:
		mouth = small[0]
	case MouthB:
		mouth = small[2]
	}
	const tries = 3
	var sum float64
	for range tries {
		x := mouth
		if r.Burred {
			burr := feature.Form.Burr
			if burr == 0 {
				burr = feature.Form.BellMouth
			}
			x -= burr * m.rng.ExpFloat64()
		}
		size := r.Value - r.BiasLow
		if r.BiasHigh > r.BiasLow {
			size -= (r.BiasHigh - r.BiasLow) * m.rng.Float64()
		}
		if r.Common >= 0 {
			size -= d.shared[r.Common]
		}
		enters := phi((x - sign*size - feature.Form.Feel) / r.U)
		passes := phi((math.Min(x, whole) - sign*size - feature.Form.Feel) / r.U)
		switch {
		case r.Kind == NoGo:
			sum += 1 - enters
		case r.Kind == Go && r.PartLength:
			sum += enters
		case r.Kind == Go:
			sum += passes
		default:
			sum += enters - passes
		}
	}
	return (1-1e-9)*sum/tries + 1e-9/3
}

// proposal is a multivariate t law.
type proposal struct {
	centre []float64
	root   *mat.TriDense
	logDet float64
}

const proposalFreedom = 6

func newProposal(centre []float64, cov *mat.SymDense) *proposal {
	p := &proposal{centre: centre, root: mat.NewTriDense(len(centre), mat.Lower, nil)}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		panic("the proposal's covariance is not positive")
	}
	chol.LTo(p.root)
	p.logDet = 0.5 * chol.LogDet()
	return p
}

// draw fills y and gives its log density.
func (p *proposal) draw(rng *rand.Rand, y, z []float64) float64 {
	n := len(y)
	var square float64
	for i := range z {
		z[i] = rng.NormFloat64()
		square += z[i] * z[i]
	}
	var chi float64
	for range proposalFreedom {
		g := rng.NormFloat64()
		chi += g * g
	}
	scale := math.Sqrt(proposalFreedom / chi)
	for i := range n {
		y[i] = p.centre[i]
		for j := 0; j <= i; j++ {
			y[i] += scale * p.root.At(i, j) * z[j]
		}
	}
	k := float64(n)
	top, _ := math.Lgamma((proposalFreedom + k) / 2)
	bottom, _ := math.Lgamma(proposalFreedom / 2.0)
	return top - bottom - k/2*math.Log(proposalFreedom*math.Pi) - p.logDet -
		(proposalFreedom+k)/2*math.Log1p(square*scale*scale/proposalFreedom)
}

// sample is weighted draws of what is compared.
type sample struct {
	weight                   []float64
	passing, clean, original [][]float64 // by feature
	logEvidence, evidenceSE  float64
}

// run adapts the proposal, then draws n states.
func (m *bruteForce) run(n int) sample { return m.final(m.adapt(), n) }

// adapt fits the proposal in a few short rounds.
func (m *bruteForce) adapt() *proposal {
	k := len(m.slots)
	centre, cov := make([]float64, k), mat.NewSymDense(k, nil)
	for i, s := range m.slots {
		cov.SetSym(i, i, 1.5)
		if s.what == 'b' {
			centre[i], cov = m.firstBase(s.feature, i, cov)
		}
	}
	const rounds, each = 9, 5000
	for round := range rounds {
		p := newProposal(centre, cov)
		ys, logs := make([][]float64, each), make([]float64, each)
		var d drawn
		z := make([]float64, k)
		for i := range each {
			ys[i] = make([]float64, k)
			logs[i] = -p.draw(m.rng, ys[i], z)
			logs[i] += m.state(ys[i], &d)
			logs[i] += m.logLikelihood(&d)
		}
		weights := tempered(logs, 300)
		next, nextCov := moments(ys, weights)
		for i := range k {
			nextCov.SetSym(i, i, nextCov.At(i, i)*1.1+1e-10)
		}
		if round < rounds-1 {
			nextCov.ScaleSym(1.2, nextCov)
		}
		centre, cov = next, nextCov
	}
	return newProposal(centre, cov)
}

// firstBase is a wide first guess of where the base of a feature lies.
func (m *bruteForce) firstBase(f, slot int, cov *mat.SymDense) (float64, *mat.SymDense) {
	feature := m.set.Features[f]
	form := feature.Form.BellMouth + feature.Form.Ovality
	low, high := feature.Prior.Low, feature.Prior.High
	for _, r := range feature.Readings {
		if r.Kind == Measured {
			low, high = math.Max(low, r.Value-2*form-10), math.Min(high, r.Value+form+10)
		}
	}
	if high < low {
		low, high = high, low
	}
	cov.SetSym(slot, slot, (high-low)*(high-low)/8+1)
	return (low + high) / 2, cov
}

// tempered flattens weights until enough draws count.
func tempered(logs []float64, enough float64) []float64 {
	most := math.Inf(-1)
	for _, l := range logs {
		most = math.Max(most, l)
	}
	for power := 1.0; ; power *= 0.7 {
		weights := make([]float64, len(logs))
		var sum, square float64
		for i, l := range logs {
			w := math.Exp(power * (l - most))
			weights[i] = w
			sum += w
			square += w * w
		}
		if sum*sum/square >= enough || power < 1e-4 {
			for i := range weights {
				weights[i] /= sum
			}
			return weights
		}
	}
}

func moments(ys [][]float64, weights []float64) ([]float64, *mat.SymDense) {
	k := len(ys[0])
	mean, cov := make([]float64, k), mat.NewSymDense(k, nil)
	for i, y := range ys {
		for a, v := range y {
			mean[a] += weights[i] * v
		}
	}
	for i, y := range ys {
		if weights[i] == 0 {
			continue
		}
		for a := range k {
			for b := a; b < k; b++ {
				cov.SetSym(a, b, cov.At(a, b)+weights[i]*(y[a]-mean[a])*(y[b]-mean[b]))
			}
		}
	}
	return mean, cov
}

func (m *bruteForce) final(p *proposal, n int) sample {
	features := len(m.set.Features)
	s := sample{weight: make([]float64, n)}
	for range features {
		s.passing = append(s.passing, make([]float64, n))
		s.clean = append(s.clean, make([]float64, n))
		s.original = append(s.original, make([]float64, n))
	}
	y, z := make([]float64, len(m.slots)), make([]float64, len(m.slots))
	var d drawn
	most := math.Inf(-1)
	for i := range n {
		l := -p.draw(m.rng, y, z)
		l += m.state(y, &d)
		l += m.logLikelihood(&d)
		s.weight[i] = l
		most = math.Max(most, l)
		for f := range features {
			s.passing[f][i], s.clean[f][i], s.original[f][i] = d.passing[f], d.largest[f], d.base[f]
		}
	}
	var sum, square float64
	for i, l := range s.weight {
		w := math.Exp(l - most)
		s.weight[i] = w
		sum += w
		square += w * w
	}
	s.logEvidence = most + math.Log(sum/float64(n))
	s.evidenceSE = math.Sqrt(square-sum*sum/float64(n)) / sum
	return s
}

// effective is the effective sample size of the weights.
func (s sample) effective() float64 {
	var sum, square float64
	for _, w := range s.weight {
		sum += w
		square += w * w
	}
	return sum * sum / square
}

// below is the weighted share of values at most x, with its standard error.
func (s sample) below(values []float64, x float64) (share, se float64) {
	var sum, in float64
	for i, w := range s.weight {
		sum += w
		if values[i] <= x {
			in += w
		}
	}
	share = in / sum
	var v float64
	for i, w := range s.weight {
		e := -share
		if values[i] <= x {
			e++
		}
		v += w * w * e * e
	}
	return share, math.Sqrt(v) / sum
}
