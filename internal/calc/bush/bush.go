package bush

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"pinwright/internal/calc/pressfit"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
// Errors of package pressfit come through as they are.
var (
	ErrRange     = errors.New("outside what can be computed")
	ErrClearance = errors.New("running clearance cannot be kept")
	ErrFit       = errors.New("not a press fit")
	ErrNoSize    = errors.New("no bush fits")
)

// Range is a size from least to greatest, mm.
type Range struct{ Low, High float64 }

// Middle is half way.
func (r Range) Middle() float64 { return (r.Low + r.High) / 2 }

func (r Range) ok(low, high float64) bool { return r.Low >= low && r.Low <= r.High && r.High <= high }

// Kind is what the bush is.
type Kind string

// Kinds of bush.
const (
	Solid    Kind = "solid"    // bronze, brass, steel: reamed in place
	Sintered Kind = "sintered" // never reamed: sized with a smooth pin
	Lined    Kind = "lined"    // never cut
)

// Usual values; common practice, no published source.
const (
	UsualBushWall     = 1.0   // mm, least, of a turned bronze bush
	UsualBossShare    = 0.2   // of the hole, least wall of a boss
	UsualBossWall     = 2.0   // mm, but no less
	UsualAllowance    = 0.1   // mm of diameter left for the reamer, least
	UsualBoreWidth    = 0.05  // mm, tolerance of the bore before pressing
	UsualSpringBack   = 0.005 // mm, of a sintered bush on its sizing pin
	UsualChamferAngle = 15.0  // degrees, of the leading end
	UsualSuitLow      = 0.001 // of the outside, interference of a bush turned to suit
	UsualSuitHigh     = 0.002
)

// Ask is a hole that is to get a bush.
type Ask struct {
	Pin       Range // standard pin
	Clearance Range // running, wanted
	Kind      Kind
	Bush      pressfit.Material
	Boss      pressfit.Material
	Outside   float64 // of the boss round the hole (twice its least wall more than the hole)
	Length    float64 // of the boss
	CleanUp   float64 // size the hole must be bored to at least to reach sound metal; 0 where not known
	// Sizes are the nominal outsides offered, tried from small to large; Hole and Body
	// the limits round such a size for hole and bush, mm, of each.
	Sizes      []float64
	Hole, Body func(size float64) (Range, error)
	// Suits is the interference wanted over a size where the bush is turned to suit
	// the hole as it was measured; it takes the place of Body.
	Suits     func(size float64) Range
	Friction  pressfit.Friction
	Safety    float64
	Loss      float64 // interference that roughness takes, mm
	BushWall  float64 // least, mm
	BossWall  float64 // least, mm; 0: UsualBossShare of the hole, at least UsualBossWall
	Allowance float64 // least to ream, mm of diameter
	BoreWidth float64 // tolerance of the bore before pressing, mm
}

// Plan is a bush. Sizes in mm.
type Plan struct {
	Size         float64 // nominal outside
	Hole         Range   // to bore or ream in the boss
	Body         Range   // outside of the bush
	Interference Range
	ClosesIn     Range // of the bore, from least to greatest
	Before       Range // bore before pressing
	Finished     Range // bore when done
	// Out is what the reamer takes off in diameter, from least to greatest; none for
	// bushes that are not cut.
	Out          Range
	SizingPin    float64 // smooth pin for a sintered bush, else 0
	NeedsSizing  bool    // a bush that must not be cut does not come right by itself
	BushWall     float64 // least
	BossWall     float64 // least
	BossWallNeed float64
	Length       float64 // of the bush
	Chamfer      float64 // length of its leading chamfer
	Tightest     pressfit.Result
	Loosest      pressfit.Result
	CloseBy      float64 // closing in per unit of effective interference
	PlayMin      float64 // running clearance, least
	PlayMax      float64
	Refused      []Refusal // smaller sizes that do not do
}

// Refusal tells why a size does not do.
type Refusal struct {
	Size float64
	Why  string
}

func (a Ask) check() error {
	within := func(x, low, high float64) bool { return x >= low && x <= high }
	switch {
	case !a.Pin.ok(0.5, 200):
		return fmt.Errorf("%w: the pin must be from 0.5 to 200 mm, least before greatest", ErrRange)
	case !a.Clearance.ok(0, a.Pin.Low/5):
		return fmt.Errorf("%w: the running clearance must be from 0 to a fifth of the pin, least before greatest", ErrRange)
	case a.Kind != Solid && a.Kind != Sintered && a.Kind != Lined:
		return fmt.Errorf("%w: the bush must be solid, sintered or lined", ErrRange)
	case !within(a.Length, 0.5, 1000) || !within(a.Outside, a.Pin.High, 10_000):
		return fmt.Errorf("%w: the boss must be from 0.5 to 1000 mm long and larger than the pin", ErrRange)
	case !within(a.CleanUp, 0, 500) || !within(a.Loss, 0, 0.2):
		return fmt.Errorf("%w: the clean-up size must be at most 500 mm, the loss at most 0.2 mm", ErrRange)
	case !within(a.BushWall, 0.1, 50) || !within(a.BossWall, 0, 500):
		return fmt.Errorf("%w: the bush's least wall must be from 0.1 to 50 mm, the boss's at most 500 mm", ErrRange)
	case !within(a.Allowance, 0, 2) || !within(a.BoreWidth, 0.001, 1):
		return fmt.Errorf("%w: the reaming allowance must be at most 2 mm, the tolerance of the bore from 0.001 to 1 mm", ErrRange)
	case len(a.Sizes) == 0 || len(a.Sizes) > 200:
		return fmt.Errorf("%w: from 1 to 200 outside diameters are tried", ErrRange)
	}
	return nil
}

// Choose plans the bush with the first size that does; Plan.Refused tells why earlier
// ones do not. ErrNoSize where none does, saying why of the first that nearly does; ErrClearance
// where the pin's own range is wider than the running clearance's; ErrRange; errors of
// Hole, Body and pressfit.
func Choose(a Ask) (Plan, error) {
	if err := a.check(); err != nil {
		return Plan{}, err
	}
	finished := Range{a.Pin.High + a.Clearance.Low, a.Pin.Low + a.Clearance.High}
	if !(finished.High > finished.Low) {
		return Plan{}, fmt.Errorf("%w: the pin alone varies by %.4f mm, as much as the clearance may or more; widen the clearance or choose pins", ErrClearance, a.Pin.High-a.Pin.Low)
	}
	var refused []Refusal
	var nearest error
	for _, size := range a.Sizes {
		p, err := a.plan(size, finished)
		switch {
		case err == nil:
			p.Refused = refused
			return p, nil
		case !errors.Is(err, ErrNoSize):
			return Plan{}, err
		// Of the reasons the one that stands nearest to doing is told: a boss too thin
		// for the largest size says nothing.
		case nearest == nil || errors.Is(err, pressfit.ErrPlastic) && !errors.Is(nearest, pressfit.ErrPlastic):
			nearest = err
		}
		refused = append(refused, Refusal{size, strings.TrimPrefix(err.Error(), ErrNoSize.Error()+": ")})
	}
	return Plan{}, fmt.Errorf("%w; none of %d outsides does", nearest, len(refused))
}

func (a Ask) plan(size float64, finished Range) (Plan, error) {
	if !(size >= 0.5 && size <= 500) {
		return Plan{}, fmt.Errorf("%w: outside diameters must be from 0.5 to 500 mm", ErrRange)
	}
	p := Plan{Size: size, Finished: finished}
	var err error
	if p.Hole, err = a.Hole(size); err != nil {
		return Plan{}, err
	}
	if a.Suits != nil {
		p.Interference = a.Suits(size)
		p.Body = Range{p.Hole.Low + p.Interference.Low, p.Hole.High + p.Interference.High}
	} else {
		if p.Body, err = a.Body(size); err != nil {
			return Plan{}, err
		}
		p.Interference = Range{p.Body.Low - p.Hole.High, p.Body.High - p.Hole.Low}
	}
	if !(p.Interference.Low > a.Loss) {
		return Plan{}, fmt.Errorf("%w: at %.4g mm the loosest bush has %.1f micrometres of interference, of which roughness takes %.1f; choose a tighter fit", ErrFit, size, p.Interference.Low*1000, a.Loss*1000)
	}
	if err := a.walls(&p); err != nil {
		return Plan{}, err
	}
	if err := a.press(&p); err != nil {
		return Plan{}, err
	}
	a.bore(&p)
	p.PlayMin, p.PlayMax = p.Finished.Low-a.Pin.High, p.Finished.High-a.Pin.Low
	// A little shorter than the boss, so that the ends stand free; chamfered to find the hole.
	p.Length = math.Max(a.Length-0.2, a.Length/2)
	p.Chamfer = math.Min(math.Max(0.5, (p.Body.High-finished.Low)/4), p.Length/4)
	return p, nil
}

// walls are measured where metal is least: the bush's largest bore in its smallest
// outside, the largest hole in the boss.
func (a Ask) walls(p *Plan) error {
	p.BushWall = (p.Body.Low - p.Finished.High) / 2
	p.BossWall = (a.Outside - p.Hole.High) / 2
	p.BossWallNeed = a.BossWall
	if p.BossWallNeed == 0 {
		p.BossWallNeed = math.Max(UsualBossWall, UsualBossShare*p.Hole.High)
	}
	switch {
	case p.Hole.Low < a.CleanUp:
		return fmt.Errorf("%w: %.4g mm does not clean the hole up, which takes %.4g mm", ErrNoSize, p.Size, a.CleanUp)
	case p.BushWall < a.BushWall:
		return fmt.Errorf("%w: %.4g mm leaves the bush a wall of %.2f mm, less than %.2f mm", ErrNoSize, p.Size, p.BushWall, a.BushWall)
	case p.BossWall < p.BossWallNeed:
		return fmt.Errorf("%w: %.4g mm leaves the boss a wall of %.2f mm, less than %.2f mm; a thinner bush, or weld and bore anew", ErrNoSize, p.Size, p.BossWall, p.BossWallNeed)
	}
	return nil
}

// press works out both ends of the interference with the bush as a ring.
func (a Ask) press(p *Plan) error {
	d := p.Hole.Middle()
	ring := pressfit.Part{Inner: p.Finished.Middle(), Material: a.Bush}
	law, err := pressfit.PerMicrometre(ring, pressfit.Part{Outer: a.Outside, Material: a.Boss}, d, a.Length, a.Friction, a.Safety)
	if err != nil {
		return err
	}
	if p.Tightest, err = law.At(p.Interference.High - a.Loss); err != nil {
		return p.named(err)
	}
	if p.Loosest, err = law.At(p.Interference.Low - a.Loss); err != nil {
		return err
	}
	p.CloseBy = -law.PerUM.PinBoreGrows / law.PerUM.Interference
	p.ClosesIn = Range{-p.Loosest.PinBoreGrows, -p.Tightest.PinBoreGrows}
	return nil
}

// named calls the parts of pressfit what they are here; a size that yields does not do.
func (p *Plan) named(err error) error {
	var plastic *pressfit.PlasticError
	if !errors.As(err, &plastic) {
		return err
	}
	e := *plastic
	e.Part = map[string]string{"pin": "bush", "hub": "boss"}[e.Part]
	return fmt.Errorf("%w: at %.4g mm the tightest is %w (as it works, after roughness)", ErrNoSize, p.Size, &e)
}

func (a Ask) bore(p *Plan) {
	if a.Kind == Solid {
		high := p.Finished.Low - a.Allowance + p.ClosesIn.Low
		p.Before = Range{high - a.BoreWidth, high}
		// What the reamer finds after pressing, least to greatest bore, and takes up to the
		// finished size.
		found := Range{p.Before.Low - p.ClosesIn.High, p.Before.High - p.ClosesIn.Low}
		p.Out = Range{p.Finished.Low - found.High, p.Finished.High - found.Low}
		return
	}
	p.Before = Range{p.Finished.Low + p.ClosesIn.High, p.Finished.High + p.ClosesIn.Low}
	if p.NeedsSizing = !(p.Before.High > p.Before.Low); p.NeedsSizing {
		// The middle of both: pressed, it is as near as it can be made.
		middle := p.Before.Middle()
		p.Before = Range{middle, middle}
	}
	if a.Kind == Sintered {
		p.SizingPin = p.Finished.Middle() + UsualSpringBack
	}
}
