package shrinkfit

import (
	"errors"
	"fmt"
	"math"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrRange = errors.New("outside what can be computed")
	ErrName  = errors.New("unknown name")
)

// Room is the temperature in °C at which sizes are stated (ISO 1).
const Room = 20.0

// ColdShare is the part of the room-temperature coefficient with which a metal
// shrinks in the cold; see the package comment.
const ColdShare = 0.75

// Bounds of temperatures in °C.
const (
	Coldest = -200.0 // liquid nitrogen boils at -196
	Hottest = 600.0
)

// Joint is a hole and the larger pin that is to go into it, at 20 °C.
type Joint struct {
	Hole         float64 // diameter, mm
	Interference float64 // diametral, mm
	Clearance    float64 // wanted while joining, diametral, mm
	HubExpansion float64 // 1/K
	PinExpansion float64 // 1/K, at room temperature
}

// Clearance is the usual one while joining: a thousandth of the diameter (from
// memory, DIN 7190), but no less than ten micrometres, below which a hand feels no
// way (common practice). Both in mm.
func Clearance(diameter float64) float64 { return math.Max(diameter/1000, 0.01) }

func (j Joint) check() error {
	finite := func(x, low, high float64) bool { return x >= low && x <= high }
	switch {
	case !finite(j.Hole, 0.1, 1000):
		return fmt.Errorf("%w: the diameter must be from 0.1 to 1000 mm", ErrRange)
	case !finite(j.Interference, 0, j.Hole/100):
		return fmt.Errorf("%w: interference must be from 0 to a hundredth of the diameter, %.4g mm; is the unit right?", ErrRange, j.Hole/100)
	case !finite(j.Clearance, 0, j.Hole/50):
		return fmt.Errorf("%w: the clearance wanted must be from 0 to a fiftieth of the diameter, %.4g mm", ErrRange, j.Hole/50)
	case !finite(j.HubExpansion, 1e-6, 1e-4) || !finite(j.PinExpansion, 1e-6, 1e-4):
		return fmt.Errorf("%w: expansion must be from 1 to 100 millionths per kelvin, steel has 11.5", ErrRange)
	}
	return nil
}

// stretch is by how much a length of 1 grows from 20 °C.
func stretch(alpha, celsius float64) float64 {
	if celsius < Room {
		alpha *= ColdShare
	}
	return alpha * (celsius - Room)
}

// back is the temperature at which a length of 1 has grown by so much.
func back(alpha, grown float64) float64 {
	if grown < 0 {
		alpha *= ColdShare
	}
	return Room + grown/alpha
}

// HubTemperature is the temperature in °C of the hub at which a pin at pin °C has
// the clearance wanted; 20 where the pin drops in as it is. ErrRange where sizes,
// coefficients or the pin's temperature (Coldest to Hottest) are outside what they can
// be. The answer may be beyond what any part stands, even beyond Hottest.
func (j Joint) HubTemperature(pin float64) (float64, error) {
	if err := j.check(); err != nil {
		return 0, err
	}
	if !(pin >= Coldest && pin <= Hottest) {
		return 0, fmt.Errorf("%w: the pin's temperature must be from %.0f to %.0f °C", ErrRange, Coldest, Hottest)
	}
	needs := ((j.Hole+j.Interference)*(1+stretch(j.PinExpansion, pin)) + j.Clearance) / j.Hole
	return math.Max(Room, back(j.HubExpansion, needs-1)), nil
}

// PinTemperature is the temperature in °C of the pin at which it has the clearance
// wanted in a hub at hub °C (Room to Hottest); 20 where it drops in as it is. Errors
// as for HubTemperature. The answer may be colder than anything can be made.
func (j Joint) PinTemperature(hub float64) (float64, error) {
	if err := j.check(); err != nil {
		return 0, err
	}
	if !(hub >= Room && hub <= Hottest) {
		return 0, fmt.Errorf("%w: the hub's temperature must be from %.0f to %.0f °C", ErrRange, Room, Hottest)
	}
	may := (j.Hole*(1+stretch(j.HubExpansion, hub)) - j.Clearance) / (j.Hole + j.Interference)
	return math.Min(Room, back(j.PinExpansion, may-1)), nil
}

// Way is one way of joining.
type Way struct {
	Cold       string // what cools the pin: "none", "freezer", "dry_ice", "liquid_nitrogen" or "given"
	Pin, Hub   float64
	HubLimits  []Limit // passed by the hub
	PinLimits  []Limit // passed by the pin
	Acceptable bool    // passes no limit and needs no more than Hottest
}

type cold struct {
	name    string
	celsius float64
}

// colds are what a pin can be laid in, °C: a household freezer, carbon dioxide snow
// (sublimes at -78.5), nitrogen (boils at -195.8).
var colds = []cold{{"none", Room}, {"freezer", -18}, {"dry_ice", -78}, {"liquid_nitrogen", -195}}

// Ways lists the ways of joining, each with the hub's temperature it needs and the
// limits of Limits that it passes, given the names of what hub and pin are made of,
// coated with or filled with. A pin's temperature that is no NaN is the only way
// looked at. ErrRange, ErrName.
func Ways(j Joint, hub, pin []string, pinCelsius float64) ([]Way, error) {
	for _, n := range append(append([]string(nil), hub...), pin...) {
		if !known(n) {
			return nil, fmt.Errorf("%w: %q is none of %v", ErrName, n, Names())
		}
	}
	list := colds
	if !math.IsNaN(pinCelsius) {
		list = []cold{{"given", pinCelsius}}
	}
	out := make([]Way, 0, len(list))
	for _, c := range list {
		t, err := j.HubTemperature(c.celsius)
		if err != nil {
			return nil, err
		}
		w := Way{Cold: c.name, Pin: c.celsius, Hub: t, HubLimits: passed(hub, t), PinLimits: passed(pin, c.celsius)}
		w.Acceptable = len(w.HubLimits)+len(w.PinLimits) == 0 && t <= Hottest
		out = append(out, w)
	}
	return out, nil
}
