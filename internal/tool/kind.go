// Package tool is what a club lends: models of tools with the sizes that matter,
// the single tools with their numbers, and the calibrations of those that
// measure.
//
// # Vocabulary
//
// A model says what a tool is (a Kind) and which sizes it has; its kind and
// sizes never change, because readings and recommendations rest on them. A Tool is one
// physical thing with a number on it. A gauge is a tool of one fixed size that
// goes or does not go; an instrument with a scale is read. Both measure, so both
// have calibrations; the newest counts.
//
// # What it does not do
//
// It knows nothing of who has a tool when (package lending), nor of what a
// reading is worth (package uncertainty): Instrument only hands over what that
// needs.
package tool

import "slices"

// Kind says what a tool is for, and so which of its sizes matter.
type Kind string

// The kinds.
const (
	Reamer           Kind = "reamer"
	Puller           Kind = "puller"
	Press            Kind = "press"
	PinGauge         Kind = "pin_gauge"
	PlugGauge        Kind = "plug_gauge"
	Micrometer       Kind = "micrometer"
	InsideMicrometer Kind = "inside_micrometer"
	Caliper          Kind = "caliper"
	BoreGauge        Kind = "bore_gauge"
	TelescopingGauge Kind = "telescoping_gauge"
	Drift            Kind = "drift"
	Other            Kind = "other"
)

// Kinds lists every kind.
func Kinds() []Kind {
	return []Kind{Reamer, Puller, Press, PinGauge, PlugGauge, Micrometer, InsideMicrometer, Caliper, BoreGauge, TelescopingGauge, Drift, Other}
}

// IsGauge reports whether the kind has one fixed size that goes or does not go.
func (k Kind) IsGauge() bool { return k == PinGauge || k == PlugGauge }

// HasScale reports whether a value is read off the kind itself. A telescoping
// gauge has none: it is set in the bore and then measured with a micrometer.
func (k Kind) HasScale() bool {
	return slices.Contains([]Kind{Micrometer, InsideMicrometer, Caliper, BoreGauge}, k)
}

// Measures reports whether tools of the kind have calibrations.
func (k Kind) Measures() bool { return k.IsGauge() || k.HasScale() || k == TelescopingGauge }

// needsSize reports whether a tool of the kind says nothing without its size.
func (k Kind) needsSize() bool { return k == Reamer || k.IsGauge() }

// UsualCaution is what whoever uses a tool of the kind should heed when its
// keeper says nothing else; empty where nothing is usual. Common practice, no
// published source.
func (k Kind) UsualCaution() string {
	switch k {
	case Reamer:
		return "Rotating tool: no gloves or loose sleeves, clamp the work, protect the eyes. Its edges cut; carry it in its sleeve. The maker's instructions come first."
	case Puller, Press:
		return "Parts under force can fly off: protect the eyes, stand aside, keep hands clear and support the part before it comes free. Never exceed the rated force. The maker's instructions come first."
	case Drift:
		return "Struck steel can chip: protect the eyes, and use a soft-faced drift on hardened pins. Support the part before the pin leaves it."
	}
	return ""
}

func (k Kind) words() string {
	switch k {
	case PinGauge:
		return "a pin gauge"
	case PlugGauge:
		return "a plug gauge"
	case InsideMicrometer:
		return "an inside micrometer"
	case BoreGauge:
		return "a bore gauge"
	case TelescopingGauge:
		return "a telescoping gauge"
	case Other:
		return "a tool of kind other"
	}
	return "a " + string(k)
}
