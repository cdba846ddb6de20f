package tool

import (
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// Build is how a reamer is made; nil is not known. It stays with the model, as
// its size does: recommendations rest on it.
type Build struct {
	Flutes       *string `json:"flutes,omitempty"` // straight or spiral
	FluteCount   *int    `json:"flute_count,omitempty"`
	Lead         *string `json:"lead,omitempty"` // hand_taper or machine
	Expansion    *bool   `json:"expansion,omitempty"`
	Piloted      *bool   `json:"piloted,omitempty"`
	PilotNM      *int64  `json:"pilot_nm,omitempty"`       // diameter of the pilot
	LeadLengthNM *int64  `json:"lead_length_nm,omitempty"` // how far it goes beyond the bore until its full size has passed
	LengthNM     *int64  `json:"length_nm,omitempty"`      // over all
	Material     *string `json:"material,omitempty"`       // carbon_steel, hss, hss_cobalt or carbide
	Shank        Shank   `json:"shank,omitzero"`
}

// Shank is what a reamer is held and turned by.
type Shank struct {
	Shape  *string `json:"shape,omitempty"`   // straight, square, hexagon or morse_taper
	SizeNM *int64  `json:"size_nm,omitempty"` // diameter, or across flats
	Taper  *int    `json:"taper,omitempty"`   // number of a Morse taper (ISO 296)
}

// MorseTaper is the shape of a shank that has a number in place of a size.
const MorseTaper = "morse_taper"

// Pull is what a puller can take hold of and how far it pulls; nil is not known.
type Pull struct {
	JawReachNM   *int64  `json:"jaw_reach_nm,omitempty"`   // from the screw's end to the jaws
	JawOpeningNM *int64  `json:"jaw_opening_nm,omitempty"` // the widest between the jaws
	StrokeNM     *int64  `json:"stroke_nm,omitempty"`      // how far the screw or ram goes
	ScrewThread  *string `json:"screw_thread,omitempty"`   // its designation, such as M14x1.5
}

// mostLength bounds a tool's lengths; more is a slip of the unit.
const mostLength length.Length = 2_000_000_000

// mostTolerance bounds a reamer's tolerance; more is a slip of the unit.
const mostTolerance length.Length = 1_000_000

// sized is a length of a model, by where it stands.
type sized struct {
	at string
	nm *int64
}

func checkLengths(list ...sized) []problem.Fault {
	var faults []problem.Fault
	for _, l := range list {
		switch {
		case l.nm == nil:
		case *l.nm <= 0:
			faults = append(faults, problem.Fault{Pointer: l.at, Detail: "must be larger than zero"})
		case *l.nm > int64(mostLength):
			faults = append(faults, problem.Fault{Pointer: l.at, Detail: "must be at most 2 m; check the unit"})
		}
	}
	return faults
}

func (m Model) checkBuild() []problem.Fault {
	if m.Build == (Build{}) {
		return nil
	}
	if m.Kind != Reamer {
		return []problem.Fault{{Pointer: "/build", Detail: "is for reamers only, not for " + m.Kind.words() + "; leave it out"}}
	}
	b := m.Build
	faults := checkLengths(sized{"/build/lead_length", b.LeadLengthNM}, sized{"/build/length", b.LengthNM}, sized{"/build/pilot", b.PilotNM}, sized{"/build/shank/size", b.Shank.SizeNM})
	if len(faults) > 0 {
		return faults
	}
	fault := func(pointer, detail string) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail})
	}
	if b.LeadLengthNM != nil && b.LengthNM != nil && *b.LeadLengthNM >= *b.LengthNM {
		fault("/build/lead_length", "must be less than length: the lead is a part of the reamer")
	}
	switch {
	case b.PilotNM == nil:
	case b.Piloted != nil && !*b.Piloted:
		fault("/build/pilot", "does not go with piloted false; leave one of them out")
	case m.Size != nil && *b.PilotNM >= int64(*m.Size):
		fault("/build/pilot", "must be smaller than size ("+m.Entered["size"]+"): the pilot enters the bore before it is cut")
	}
	tapered := b.Shank.Shape != nil && *b.Shank.Shape == MorseTaper
	switch {
	case b.Shank.Shape == nil && b.Shank != (Shank{}):
		fault("/build/shank/shape", "is needed beside its size or taper: straight, square, hexagon or morse_taper")
	case tapered && b.Shank.SizeNM != nil:
		fault("/build/shank/size", "does not go with a Morse taper, which is known by its number; give taper, such as 1, and leave size out")
	case !tapered && b.Shank.Taper != nil:
		fault("/build/shank/taper", "is for a Morse taper only; give size, the diameter or across flats, and leave taper out")
	}
	return faults
}

// checkTolerance checks how far a reamer's cut may be from its size.
func (m Model) checkTolerance() []problem.Fault {
	lower, upper := m.ToleranceLower, m.ToleranceUpper
	switch {
	case lower == nil && upper == nil:
	case m.Kind != Reamer:
		return []problem.Fault{{Pointer: "/tolerance", Detail: "is for reamers only, not for " + m.Kind.words() + "; of a gauge give gauge_class, of an instrument resolution, or leave it out"}}
	case *lower > *upper:
		return []problem.Fault{{Pointer: "/tolerance/upper", Detail: "must not be below lower (" + m.Entered["tolerance_lower"] + ")"}}
	case lower.Abs() > mostTolerance || upper.Abs() > mostTolerance:
		return []problem.Fault{{Pointer: "/tolerance", Detail: "must be within 1 mm; it is what the cutting diameter may differ from size by, such as 0.004 mm and 0.010 mm; check the unit"}}
	}
	return nil
}

func (m Model) checkPuller() []problem.Fault {
	switch {
	case m.Puller == (Pull{}):
		return nil
	case m.Kind != Puller:
		return []problem.Fault{{Pointer: "/puller", Detail: "is for pullers only, not for " + m.Kind.words() + "; leave it out"}}
	}
	return checkLengths(sized{"/puller/jaw_reach", m.Puller.JawReachNM}, sized{"/puller/jaw_opening", m.Puller.JawOpeningNM}, sized{"/puller/stroke", m.Puller.StrokeNM})
}
