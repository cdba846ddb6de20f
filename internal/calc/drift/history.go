package drift

import (
	"fmt"
	"math"
	"slices"

	"pinwright/internal/calc/uncertainty"
)

// What is taken when nothing is stated.
const (
	// Reliability is the probability with which the permitted error is to be kept.
	Reliability = 0.95
	// Longest is the longest interval that is proposed, in years (common practice, no
	// published source).
	Longest = 5.0
	// Share is the part of the permitted error by which an instrument is believed to drift
	// in a year, one standard deviation (common practice, no published source).
	Share = 0.25
)

// Prior is what is believed of the drift before any calibration. Zero values take
// Share of the permitted error.
type Prior struct {
	Rate float64 // standard deviation of the steady rate about 0, µm per year
	Step float64 // scale of √q, half-normal, µm per root of a year
}

// History is the calibrations of one instrument since it was last adjusted, in any order.
type History struct {
	Points    []Point
	Permitted float64 // greatest deviation permitted either way, µm; over 0
	// Reliability is from 0.5 to 0.999, Longest up to 50 years; the constants when 0.
	Reliability, Longest float64
	Prior                Prior
	// Corrected says that readings are corrected by the newest calibration, so that what
	// counts is the change since.
	Corrected bool
}

// component is the filter's answer for one q: normal level and rate with covariances.
type component struct {
	weight                    float64
	q                         float64
	level, rate               float64
	varLevel, covary, varRate float64
}

// Model is what a history says of the instrument at any later time.
type Model struct {
	newest               Point // in time
	components           []component
	permitted            float64
	corrected            bool
	Used                 Prior
	N                    int
	Reliability, Longest float64
}

// steps is the number of values of √q that are integrated over.
const steps = 120

// Learn works a history out. ErrHistory tells what cannot be used.
func Learn(h History) (*Model, error) {
	if err := check(h.Points); err != nil {
		return nil, err
	}
	switch {
	case !(h.Permitted >= 1e-3 && h.Permitted <= 1e7):
		return nil, fmt.Errorf("%w: a permitted error of %v µm; it must be over 0", ErrHistory, h.Permitted)
	case h.Reliability != 0 && !(h.Reliability >= 0.5 && h.Reliability <= 0.999):
		return nil, fmt.Errorf("%w: a reliability of %v; state one from 0.5 to 0.999, usually 0.95", ErrHistory, h.Reliability)
	case h.Longest != 0 && !(h.Longest > 0 && h.Longest <= 50):
		return nil, fmt.Errorf("%w: a longest interval of %v years; state one over 0 and up to 50", ErrHistory, h.Longest)
	case !(h.Prior.Rate >= 0 && h.Prior.Rate <= 1e7) || !(h.Prior.Step >= 0 && h.Prior.Step <= 1e7):
		return nil, fmt.Errorf("%w: a prior of %v µm per year and %v µm; both must be 0 or more", ErrHistory, h.Prior.Rate, h.Prior.Step)
	}
	m := &Model{permitted: h.Permitted, corrected: h.Corrected, Used: h.Prior, N: len(h.Points), Reliability: h.Reliability, Longest: h.Longest}
	if m.Used.Rate == 0 {
		m.Used.Rate = Share * h.Permitted
	}
	if m.Used.Step == 0 {
		m.Used.Step = Share * h.Permitted
	}
	if m.Reliability == 0 {
		m.Reliability = Reliability
	}
	if m.Longest == 0 {
		m.Longest = Longest
	}
	points := slices.Clone(h.Points)
	slices.SortStableFunc(points, func(a, b Point) int {
		switch {
		case a.Time < b.Time:
			return -1
		case a.Time > b.Time:
			return 1
		}
		return 0
	})
	m.newest = points[len(points)-1]
	m.learn(points)
	return m, nil
}

// learn filters the points for every √q of a grid that is even in √q/(√q + scale),
// which reaches from nothing to some hundred scales.
func (m *Model) learn(points []Point) {
	logs := make([]float64, 0, steps)
	for i := range steps {
		x := (float64(i) + 0.5) / steps
		step := m.Used.Step * x / (1 - x)
		c, log := filter(points, m.Used.Rate, step*step)
		z := step / m.Used.Step
		m.components = append(m.components, c)
		// The Jacobian of the grid, 1/(1-x)², and the half-normal prior.
		logs = append(logs, log-z*z/2-2*math.Log(1-x))
	}
	top := slices.Max(logs)
	var sum float64
	for i := range logs {
		m.components[i].weight = math.Exp(logs[i] - top)
		sum += m.components[i].weight
	}
	for i := range m.components {
		m.components[i].weight /= sum
	}
	// What weighs nothing in double precision costs time only.
	m.components = slices.DeleteFunc(m.components, func(c component) bool { return c.weight < 1e-17 })
}

// filter is the Kalman filter of level and rate, with the log likelihood of all
// points after the first, which sets the level.
func filter(points []Point, rate, q float64) (component, float64) {
	c := component{q: q, level: points[0].Deviation, varLevel: points[0].U * points[0].U, varRate: rate * rate}
	var log float64
	for i, p := range points[1:] {
		c = c.after(p.Time - points[i].Time)
		surprise, variance := p.Deviation-c.level, c.varLevel+p.U*p.U
		log -= surprise*surprise/(2*variance) + math.Log(variance)/2
		gain, ofRate := c.varLevel/variance, c.covary/variance
		c.level += gain * surprise
		c.rate += ofRate * surprise
		c.varRate -= ofRate * c.covary
		// (1-gain)·varLevel without the difference.
		c.varLevel, c.covary = gain*p.U*p.U, c.covary*p.U*p.U/variance
	}
	return c, log
}

// after is what is believed dt years later.
func (c component) after(dt float64) component {
	c.level += c.rate * dt
	c.varLevel += 2*c.covary*dt + c.varRate*dt*dt + c.q*dt
	c.covary += c.varRate * dt
	return c
}

// Prediction is the deviation at a time, in micrometres.
type Prediction struct {
	Deviation float64 // what the instrument shows too much, the best estimate
	U         float64 // its standard uncertainty
	// SinceU is the standard uncertainty of the change since the newest calibration, without
	// that calibration's own.
	SinceU float64
	// Inside is the probability that the deviation (or its change, for a corrected instrument)
	// is inside ± the permitted error.
	Inside float64
	// Low and High hold the deviation with 95 % probability.
	Low, High float64
}

// Usual is the standard uncertainty, in micrometres, of what came in the years since one
// calibration when nothing else is known: the prior of Learn, Share of the permitted error for
// the rate and for the walk.
func Usual(permitted, years float64) float64 {
	years = math.Max(0, years)
	return Share * permitted * math.Sqrt(years*years+years)
}

// Coverage is the probability of Low to High.
const Coverage = 0.95

// At predicts the deviation years after the newest calibration, 0 or more.
func (m *Model) At(years float64) (Prediction, error) {
	if !(years >= 0 && years <= 100) {
		return Prediction{}, fmt.Errorf("%w: %v years after the newest calibration; ask from 0 to 100", ErrHistory, years)
	}
	return m.at(years), nil
}

// Moments are the deviation years (0 or more) after the newest calibration and its standard
// uncertainty, split into what was left by the calibrations and what came since, in
// quadrature; At tells more and takes longer. Micrometres.
func (m *Model) Moments(years float64) (deviation, calibrated, since float64) {
	now, later := m.moments(0), m.moments(math.Max(0, years))
	return later.Deviation, now.U, math.Sqrt(math.Max(0, later.U*later.U-now.U*now.U))
}

func (m *Model) at(years float64) Prediction {
	out := m.moments(years)
	out.Inside = m.inside(years)
	out.Low, out.High = m.quantile(years, (1-Coverage)/2, out), m.quantile(years, (1+Coverage)/2, out)
	return out
}

func (m *Model) moments(years float64) Prediction {
	var out Prediction
	var rate float64
	for _, c := range m.components {
		out.Deviation += c.weight * c.after(years).level
		rate += c.weight * c.rate
	}
	var square, since float64
	for _, c := range m.components {
		later := c.after(years)
		d, r := later.level-out.Deviation, (c.rate-rate)*years
		square += c.weight * (later.varLevel + d*d)
		since += c.weight * (c.varRate*years*years + c.q*years + r*r)
	}
	out.U, out.SinceU = math.Sqrt(square), math.Sqrt(since)
	return out
}

// inside is the probability of keeping the permitted error.
func (m *Model) inside(years float64) float64 {
	var sum float64
	for _, c := range m.components {
		later := c.after(years)
		mean := later.level
		if m.corrected {
			// The correction is what the newest certificate says.
			mean -= m.newest.Deviation
		}
		sd := math.Sqrt(later.varLevel)
		sum += c.weight * (math.Erf((m.permitted-mean)/sd/math.Sqrt2) + math.Erf((m.permitted+mean)/sd/math.Sqrt2)) / 2
	}
	return math.Min(1, math.Max(0, sum))
}

// quantile is where the mixture's distribution reaches p, by halving.
func (m *Model) quantile(years, p float64, about Prediction) float64 {
	low, high := about.Deviation-40*about.U, about.Deviation+40*about.U
	for range 60 {
		middle := (low + high) / 2
		var below float64
		for _, c := range m.components {
			later := c.after(years)
			below += c.weight * math.Erfc((later.level-middle)/math.Sqrt(2*later.varLevel)) / 2
		}
		if below < p {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// Rate is the steady rate in µm per year with its standard uncertainty, and Step the mean of √q.
func (m *Model) Rate() (rate, u, step float64) {
	var square float64
	for _, c := range m.components {
		rate += c.weight * c.rate
		step += c.weight * math.Sqrt(c.q)
	}
	for _, c := range m.components {
		square += c.weight * (c.varRate + (c.rate-rate)*(c.rate-rate))
	}
	return rate, math.Sqrt(square), step
}

// Interval is how long the newest calibration holds.
type Interval struct {
	Years float64 // 0 when the permitted error is not kept even on the day of calibration
	// Bounded says that Years is Longest, not what the history allows.
	Bounded bool
}

// Interval is the longest time throughout which the permitted error is kept with the
// stated reliability, to a day.
func (m *Model) Interval() Interval {
	const day = 1 / 365.25
	if m.inside(0) < m.Reliability {
		return Interval{}
	}
	kept := 0.0
	for next := 7 * day; ; next += 7 * day {
		next := math.Min(next, m.Longest)
		if m.inside(next) < m.Reliability {
			low, high := kept, next
			for high-low > day/100 {
				if middle := (low + high) / 2; m.inside(middle) < m.Reliability {
					high = middle
				} else {
					low = middle
				}
			}
			return Interval{Years: low}
		}
		if next == m.Longest {
			return Interval{Years: m.Longest, Bounded: true}
		}
		kept = next
	}
}

// Codes of the notes.
const (
	OneCalibration  = "one_calibration"
	FewCalibrations = "few_calibrations"
	AssumedDrift    = "assumed_drift"
	NotKept         = "permitted_error_not_kept"
	LongestProposed = "longest_interval"
	AssumedReliable = "assumed_reliability"
)

// Notes say what the answer rests on. given tells that the prior was stated.
func (m *Model) Notes(given bool) []uncertainty.Remark {
	var out []uncertainty.Remark
	note := func(code string, params []uncertainty.Param, format string, args ...any) {
		out = append(out, uncertainty.Remark{Code: code, Params: params, Text: fmt.Sprintf(format, args...)})
	}
	if !given {
		note(AssumedDrift, []uncertainty.Param{{Name: "rate", Value: m.Used.Rate, Unit: "um/a"}, {Name: "step", Value: m.Used.Step, Unit: "um"}},
			"Before any calibration the instrument was taken to drift by about %.3g µm in a year either way, a quarter of the permitted error (common practice, no published source).", m.Used.Rate)
	}
	switch {
	case m.N == 1:
		note(OneCalibration, nil, "One calibration tells nothing of drift: all of it is what is believed of instruments of this kind.")
	case m.N < 5:
		note(FewCalibrations, nil, "%d calibrations tell little of drift; what was believed before still weighs.", m.N)
	}
	switch i := m.Interval(); {
	case i.Years == 0:
		note(NotKept, nil, "Even as calibrated the permitted error is kept with a probability of %.3g only, less than %.3g: adjust it, permit more, or have it calibrated better.", m.inside(0), m.Reliability)
	case i.Bounded:
		note(LongestProposed, []uncertainty.Param{{Name: "years", Value: m.Longest, Unit: "a"}}, "The history would allow more than %.3g years, the longest that is proposed.", m.Longest)
	}
	return out
}
