package pressfit

import (
	"errors"
	"fmt"
	"math"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrRange    = errors.New("outside what can be computed")
	ErrShape    = errors.New("not a pin in a ring")
	ErrMaterial = errors.New("material not usable")
	ErrSurface  = errors.New("no elastic answer for a knurled or splined pin")
	ErrOpenSeam = errors.New("no elastic answer for an open seam")
	ErrPlastic  = errors.New("beyond the elastic range")
	ErrTooFew   = errors.New("too few pressings")
)

// Surface is how a pin's seat is made.
type Surface int

// Surfaces of a pin.
const (
	Plain Surface = iota
	Knurled
	Splined
)

// Part is one ring or solid round. Inner is 0 for a solid pin. Where the parts
// touch (the pin's Outer, the hub's Inner) 0 means the diameter of the joint; given,
// it may differ from that by a fiftieth.
type Part struct {
	Inner, Outer float64 // diameters, mm
	Material     Material
	Surface      Surface // of a pin
	OpenSeam     bool    // of a hub: an eye rolled from strip, not closed
}

// Stress is the state at one radius, MPa; the axial stress is 0.
type Stress struct{ Hoop, Radial float64 }

// Tresca is the greatest difference of the three principal stresses.
func (s Stress) Tresca() float64 {
	return math.Max(s.Hoop, math.Max(s.Radial, 0)) - math.Min(s.Hoop, math.Min(s.Radial, 0))
}

// Mises is the equivalent stress of distortion energy (von Mises 1913).
func (s Stress) Mises() float64 {
	return math.Sqrt(s.Hoop*s.Hoop - s.Hoop*s.Radial + s.Radial*s.Radial)
}

// Tension is the greatest pull, at least 0.
func (s Stress) Tension() float64 { return math.Max(0, math.Max(s.Hoop, s.Radial)) }

func (s Stress) times(k float64) Stress { return Stress{s.Hoop * k, s.Radial * k} }

// Result is the joint at one interference. Diameters change by the amounts given,
// in mm: positive grows. Force pushes the pin home over its whole length, Hold is
// what it then resists with the low friction; the same for torque.
type Result struct {
	Interference           float64 // mm, as it works
	Pressure               float64 // MPa
	HubBore, HubOutside    Stress
	PinSurface, PinInside  Stress  // PinInside: at the bore, of a solid pin at the axis
	Force, Hold            float64 // N
	Torque, HoldTorque     float64 // N·mm
	HubBoreGrows           float64
	HubOutsideGrows        float64
	PinGrows, PinBoreGrows float64 // of the pin's outside and bore; negative: closes in
	HubUse, PinUse         float64 // stress against what is allowed with the safety asked for; 1 is just allowed, 0 not checked
	Safe                   bool    // both uses are at most 1; false also where neither could be checked
}

// PlasticError says that the elastic answer does not hold. It wraps ErrPlastic.
type PlasticError struct {
	Part         string  // "hub" or "pin"
	Brittle      bool    // it would crack, not yield
	Stress       float64 // MPa: by von Mises, of a brittle part the pull; what elasticity would give
	Limit        float64 // MPa: yield stress or tensile strength
	Interference float64 // mm: the most at which elasticity holds
}

func (e *PlasticError) Error() string {
	does := "yields"
	if e.Brittle {
		does = "may crack"
	}
	return fmt.Sprintf("%v: the %s %s, %.0f MPa against %.0f MPa; use at most %.1f micrometres of interference", ErrPlastic, e.Part, does, e.Stress, e.Limit, e.Interference*1000)
}

// Unwrap returns ErrPlastic.
func (e *PlasticError) Unwrap() error { return ErrPlastic }

// Fit joins pin and hub at diameter over length with interference, all mm. Safety is
// what yield stress is divided by to get the allowed one (1.2 to 1.5 is common for
// yielding parts, 2 to 3 for brittle ones; common practice), from 1 to 10.
//
// Interference must be over 0 and, as it works, less any Loss; at most a hundredth
// of the diameter. ErrShape, ErrRange, ErrMaterial, ErrSurface, ErrOpenSeam tell what
// to mend; a *PlasticError that elasticity ends before this interference.
func Fit(pin, hub Part, diameter, length, interference float64, friction Friction, safety float64) (Result, error) {
	law, err := PerMicrometre(pin, hub, diameter, length, friction, safety)
	if err != nil {
		return Result{}, err
	}
	if !(interference > 0 && interference <= diameter/100) {
		return Result{}, fmt.Errorf("%w: interference must be over 0 and at most a hundredth of the diameter, %.4g mm; is the unit right?", ErrRange, diameter/100)
	}
	return law.At(interference)
}

// Law is a joint per micrometre of interference: every field of PerUM is what one
// micrometre adds, exactly proportional within the elastic range.
type Law struct {
	PerUM Result
	// Elastic is the interference in mm at which the first part yields (von Mises)
	// or, brittle, reaches its tensile strength; Allowed the most within the safety.
	// Infinite when no strength is known.
	Elastic, Allowed float64
	pin, hub         Material
	diameter         float64
}

// PerMicrometre returns the law of a joint; parameters and errors are those of Fit.
func PerMicrometre(pin, hub Part, diameter, length float64, friction Friction, safety float64) (Law, error) {
	if err := check(pin, hub, diameter, length, friction, safety); err != nil {
		return Law{}, err
	}
	d2, out2, in2 := diameter*diameter, hub.Outer*hub.Outer, pin.Inner*pin.Inner
	ch := (out2 + d2) / (out2 - d2)
	cs := (d2 + in2) / (d2 - in2)
	eh, es := hub.Material.Elastic, pin.Material.Elastic
	hubYields, pinYields := (ch+hub.Material.Poisson)/eh, (cs-pin.Material.Poisson)/es
	const um = 1e-3
	p := um / (diameter * (hubYields + pinYields))
	r := Result{Interference: um, Pressure: p,
		HubBore: Stress{p * ch, -p}, HubOutside: Stress{2 * p * d2 / (out2 - d2), 0},
		PinSurface: Stress{-p * cs, -p}, PinInside: Stress{-p, -p},
		HubBoreGrows: p * diameter * hubYields, PinGrows: -p * diameter * pinYields}
	if pin.Inner > 0 {
		r.PinInside = Stress{-2 * p * d2 / (d2 - in2), 0}
	}
	r.HubOutsideGrows = hub.Outer * r.HubOutside.Hoop / eh
	r.PinBoreGrows = pin.Inner * r.PinInside.Hoop / es
	normal := p * math.Pi * diameter * length
	r.Force, r.Hold = friction.High*normal, friction.Low*normal
	r.Torque, r.HoldTorque = r.Force*diameter/2, r.Hold*diameter/2
	r.HubUse = use(hub.Material, safety, r.HubBore)
	r.PinUse = use(pin.Material, safety, r.PinSurface, r.PinInside)

	l := Law{PerUM: r, pin: pin.Material, hub: hub.Material, diameter: diameter, Allowed: um / math.Max(r.HubUse, r.PinUse)}
	l.Elastic = um / math.Max(strain(hub.Material, r.HubBore), strain(pin.Material, r.PinSurface, r.PinInside))
	return l, nil
}

// use is the cautious stress against the allowed one, 0 where no strength is known.
func use(m Material, safety float64, at ...Stress) float64 {
	if m.Yield == 0 {
		return 0
	}
	most := 0.0
	for _, s := range at {
		if m.Brittle {
			most = math.Max(most, s.Tension())
		} else {
			most = math.Max(most, s.Tresca())
		}
	}
	return most * safety / m.Yield
}

// strain is the stress that ends elasticity against the strength.
func strain(m Material, at ...Stress) float64 {
	if m.Yield == 0 {
		return 0
	}
	most := 0.0
	for _, s := range at {
		most = math.Max(most, ending(m, s))
	}
	return most / m.Yield
}

func ending(m Material, s Stress) float64 {
	if m.Brittle {
		return s.Tension()
	}
	return s.Mises()
}

func check(pin, hub Part, diameter, length float64, friction Friction, safety float64) error {
	near := func(x float64) bool { return x == 0 || math.Abs(x-diameter) <= diameter/50 }
	switch {
	case !finite(diameter, length, safety, pin.Inner, pin.Outer, hub.Inner, hub.Outer):
		return fmt.Errorf("%w: every size must be a number", ErrRange)
	case !(diameter >= 0.1 && diameter <= 1000):
		return fmt.Errorf("%w: the diameter must be from 0.1 to 1000 mm", ErrRange)
	case !(length >= 0.1 && length <= 10_000):
		return fmt.Errorf("%w: the length must be from 0.1 to 10000 mm", ErrRange)
	case !(safety >= 1 && safety <= 10):
		return fmt.Errorf("%w: safety must be from 1 to 10, 1.2 to 1.5 is common", ErrRange)
	case pin.Surface != Plain:
		return fmt.Errorf("%w: its crests cut or swage their own seat; use the forces of pins pressed in before", ErrSurface)
	case hub.OpenSeam:
		return fmt.Errorf("%w: a rolled eye bends open instead of stretching; no ring formula holds, so press a trial pin and measure, or have the seam welded and the eye reamed", ErrOpenSeam)
	case !near(pin.Outer) || !near(hub.Inner):
		return fmt.Errorf("%w: the pin's outside and the hub's hole must be within a fiftieth of the joint's diameter, %.4g mm", ErrShape, diameter)
	case pin.Inner < 0 || pin.Inner > 0.999*diameter:
		return fmt.Errorf("%w: the pin's bore must be from 0 (solid) to a thousandth less than the joint's diameter, %.4g mm", ErrShape, diameter)
	case !(hub.Outer >= 1.001*diameter && hub.Outer <= 1e6):
		return fmt.Errorf("%w: the hub's outside must be at least a thousandth more than the joint's diameter, %.4g mm; round an uneven boss take twice its least wall plus the diameter", ErrShape, diameter)
	}
	if err := pin.Material.check("pin"); err != nil {
		return err
	}
	if err := hub.Material.check("hub"); err != nil {
		return err
	}
	return friction.check()
}
