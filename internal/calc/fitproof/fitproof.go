package fitproof

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"pinwright/internal/calc/conformity"
)

// ErrQuestion tells of a question that cannot be answered; the error says why.
var ErrQuestion = errors.New("no fit to judge")

// Law is what is believed of a size: the probability that it is at most x.
type Law interface{ CDF(x float64) float64 }

// Pin is what is known of the pin's running diameter: it lies from Low to High, each size as
// likely, and U is the standard uncertainty of those. Low may equal High.
type Pin struct{ Low, High, U float64 }

// Question is one bore with the pin that is to run in it.
type Question struct {
	Passing   Law
	Pin       Pin
	Low, High float64 // the clearance wanted
	Risk      float64 // of being wrong: over 0, below 0.5
}

// Answer is the verdict with the probabilities it rests on.
type Answer struct {
	TooTight, TooLoose float64
	Conforming         float64
	Decision           conformity.Decision
	Go, NoGo           Gauge
	// Provable is false where no pair of gauges can prove the fit with a pin that is known
	// no better.
	Provable bool
}

// Gauge is a pin to try, and the probability that it goes in.
type Gauge struct{ Size, Goes float64 }

// nodes of the quadrature over the pin's limits and over its uncertainty.
const (
	limitNodes = 48
	doubtNodes = 24
)

// Judge answers q. ErrQuestion tells of limits in the wrong order and of numbers
// that are none.
func Judge(q Question) (Answer, error) {
	for _, v := range []float64{q.Pin.Low, q.Pin.High, q.Pin.U, q.Low, q.High} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return Answer{}, fmt.Errorf("%w: it holds what is no number", ErrQuestion)
		}
	}
	switch {
	case q.Passing == nil:
		return Answer{}, fmt.Errorf("%w: nothing is known of the bore", ErrQuestion)
	case q.Pin.Low > q.Pin.High || q.Pin.U < 0:
		return Answer{}, fmt.Errorf("%w: the pin lies from %g to %g give or take %g", ErrQuestion, q.Pin.Low, q.Pin.High, q.Pin.U)
	case q.Low > q.High:
		return Answer{}, fmt.Errorf("%w: the least clearance %g is above the greatest %g", ErrQuestion, q.Low, q.High)
	}
	factor, err := conformity.GuardFactor(q.Risk)
	if err != nil {
		return Answer{}, fmt.Errorf("%w: %w", ErrQuestion, err)
	}
	a := Answer{TooTight: over(q.Pin, func(pin float64) float64 { return q.Passing.CDF(pin + q.Low) }),
		TooLoose: over(q.Pin, func(pin float64) float64 { return 1 - q.Passing.CDF(pin+q.High) })}
	a.Conforming = math.Min(1, math.Max(0, 1-a.TooTight-a.TooLoose))
	if a.Decision, err = conformity.DecideProbability(a.Conforming, q.Risk); err != nil {
		return Answer{}, err
	}
	a.Go.Size = q.Pin.High + factor*q.Pin.U + q.Low
	a.NoGo.Size = q.Pin.Low - factor*q.Pin.U + q.High
	a.Go.Goes, a.NoGo.Goes = 1-q.Passing.CDF(a.Go.Size), 1-q.Passing.CDF(a.NoGo.Size)
	a.Provable = a.Go.Size < a.NoGo.Size
	return a, nil
}

// Together is the verdict on bores that must all fit: proved where the chances of
// each not fitting add up to no more than the risk, whatever they share; refused
// where one is.
func Together(answers []Answer, risk float64) conformity.Decision {
	sum := 0.0
	for _, a := range answers {
		if a.Decision == conformity.Refused {
			return conformity.Refused
		}
		sum += 1 - a.Conforming
	}
	if len(answers) > 0 && sum <= risk {
		return conformity.Proved
	}
	return conformity.Undecided
}

// over is the mean of f over what the pin may be.
func over(p Pin, f func(pin float64) float64) float64 {
	within := func(shift float64) float64 {
		if p.Low == p.High {
			return f(p.Low + shift)
		}
		return quad.Fixed(func(x float64) float64 { return f(x + shift) }, p.Low, p.High, limitNodes, quad.Legendre{}, 0) / (p.High - p.Low)
	}
	if p.U == 0 {
		return clamp(within(0))
	}
	z, w := make([]float64, doubtNodes), make([]float64, doubtNodes)
	quad.Hermite{}.FixedLocations(z, w, math.Inf(-1), math.Inf(1))
	sum := 0.0
	for i := range z {
		sum += w[i] * within(math.Sqrt2*p.U*z[i])
	}
	return clamp(sum / math.Sqrt(math.Pi))
}

func clamp(p float64) float64 { return math.Min(1, math.Max(0, p)) }
