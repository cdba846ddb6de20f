package uncertainty

import (
	"fmt"
	"math"
)

// Shape says whether a hole or a shaft was measured.
type Shape string

// The shapes.
const (
	Bore Shape = "bore"
	Pin  Shape = "pin"
)

// Method is the plain word for what was used, when no instrument of the club is named.
type Method string

// The methods. Micrometer is the outside micrometer.
const (
	Caliper          Method = "caliper"
	Micrometer       Method = "micrometer"
	InsideMicrometer Method = "inside_micrometer"
	BoreGauge        Method = "bore_gauge"
	TelescopingGauge Method = "telescoping_gauge"
	PinGauge         Method = "pin_gauge"
)

// Methods lists the methods in the order in which they are offered.
func Methods() []Method {
	return []Method{Caliper, Micrometer, InsideMicrometer, BoreGauge, TelescopingGauge, PinGauge}
}

// Defaults is what is assumed of a method on one shape, in micrometres; common
// practice, no published source.
//
// The bias comes from geometry, in two ways of not standing on the diameter:
//
//   - ContactWidth b: contacts of that width, or contacts that stand b/2 beside the
//     diameter, touch a bore on a chord and read √(D² - b²), too small. The flats of a
//     caliper's inside jaws do so always. An inside micrometer does when it is
//     opened until it binds without being swung sideways: the screw stops at the first
//     chord that resists.
//   - Tilt θ: a gauge tilted along the axis reads D/cos θ, too large. A
//     telescoping gauge that is not rocked through does so: its springs push the
//     plungers out, which centres it sideways (the diameter is the longest chord)
//     but drives it to lie aslant (the slanting line is longer still), and only the
//     sweep through the upright position pushes the plungers back to the diameter.
//     A bore gauge with a centring shoe has the same error, smaller, when its turning
//     point is missed. A caliper held askew across a pin as well.
//
// Each is a bound: the true error lies anywhere between none and it.
type Defaults struct {
	Resolution    float64 // smallest step that is read
	Repeatability float64 // standard deviation of one reading repeated by one person
	Calibration   float64 // half width of the error of a sound instrument never calibrated
	ContactWidth  float64
	TiltDegrees   float64
	Feel          float64 // pin gauge only: standard deviation of where it is felt to go
}

// DefaultsOf returns the defaults of a method on a shape. ErrInput when the method
// is unknown or cannot be used on that shape; the error names what can.
func DefaultsOf(m Method, shape Shape) (Defaults, error) {
	if shape != Bore && shape != Pin {
		return Defaults{}, fmt.Errorf("%w: shape %.20q is neither bore nor pin", ErrInput, string(shape))
	}
	bore := shape == Bore
	switch {
	case m == Caliper && bore:
		return Defaults{Resolution: 10, Repeatability: 20, Calibration: 30, ContactWidth: 500}, nil
	case m == Caliper:
		return Defaults{Resolution: 10, Repeatability: 12, Calibration: 30, TiltDegrees: 2}, nil
	case m == Micrometer && !bore:
		return Defaults{Resolution: 1, Repeatability: 2, Calibration: 4}, nil
	case m == InsideMicrometer && bore:
		return Defaults{Resolution: 5, Repeatability: 3, Calibration: 7, ContactWidth: 250}, nil
	case m == BoreGauge && bore:
		return Defaults{Resolution: 2, Repeatability: 3, Calibration: 5, TiltDegrees: 1}, nil
	case m == TelescopingGauge && bore:
		return Defaults{Resolution: 1, Repeatability: 8, Calibration: 4, TiltDegrees: 3}, nil
	case m == PinGauge && bore:
		return Defaults{Feel: 1.5}, nil
	case m == Micrometer:
		return Defaults{}, fmt.Errorf("%w: an outside micrometer does not go into a bore; say inside_micrometer, bore_gauge, telescoping_gauge or caliper", ErrInput)
	case m == InsideMicrometer || m == BoreGauge || m == TelescopingGauge || m == PinGauge:
		return Defaults{}, fmt.Errorf("%w: a %s is for bores; for a pin say micrometer or caliper", ErrInput, m.words())
	}
	return Defaults{}, fmt.Errorf("%w: method %.30q is none of caliper, micrometer, inside_micrometer, bore_gauge, telescoping_gauge, pin_gauge", ErrInput, string(m))
}

// BiasBounds returns the bounds of reading minus true diameter, in µm, for a
// diameter in µm.
func (d Defaults) BiasBounds(diameter float64) (low, high float64) {
	if d.ContactWidth > 0 {
		b := math.Min(d.ContactWidth, diameter)
		// √(D²-b²) - D without the loss of digits of the difference.
		low = -b * b / (math.Sqrt(diameter*diameter-b*b) + diameter)
	}
	if d.TiltDegrees > 0 {
		cos := math.Cos(d.TiltDegrees * math.Pi / 180)
		high = diameter * (1 - cos) / cos
	}
	return low, high
}

func (m Method) words() string {
	switch m {
	case Micrometer:
		return "outside micrometer"
	case InsideMicrometer:
		return "inside micrometer"
	case BoreGauge:
		return "bore gauge"
	case TelescopingGauge:
		return "telescoping gauge"
	case PinGauge:
		return "pin gauge"
	}
	return string(m)
}
