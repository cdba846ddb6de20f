package choice

import "fmt"

// Guidance is how a reamer finds its axis.
type Guidance string

// The kinds of guidance. How far the cut's axis lies from a section's centre, of
// ovality w: Floating 0; HeldToAxis, Pilot and Jig w/2 and the error of pilot or
// jig; LineOfLeaves w/2 and how far the leaves stand out of line.
const (
	Floating     Guidance = "floating"
	HeldToAxis   Guidance = "held_to_axis"
	Pilot        Guidance = "pilot"
	Jig          Guidance = "jig"
	LineOfLeaves Guidance = "line_of_leaves"
)

// Build is what matters of a reamer's make beside its size. Its zero value says
// that nothing is known and closes nothing.
type Build struct {
	Flutes     string  // "straight", "spiral" or not known
	Lead       string  // "hand_taper" (a long taper lead), "machine" (a short chamfer) or not known
	Expansion  bool    // its size is set by hand
	Piloted    *bool   // nil: not known
	LeadLength float64 // how far it must go beyond the bore until its full size has passed, µm; zero: not known
	Length     float64 // from shank to tip, µm; zero: not known
}

// Access is what the place of a bore allows. Its zero value closes nothing.
type Access struct {
	Blind       bool     // the bore ends in metal
	Keyway      bool     // a keyway or slot crosses or runs along it
	OilGroove   bool     // an oil groove or hole crosses it
	Interrupted bool     // the cut leaves the metal and enters it again
	RoomBeyond  *float64 // free room behind the bore, µm; nil: not known
	RoomBefore  *float64 // free room in front of it, in line with its axis, µm; nil: not known
}

// interruptedScatter is by how much more a reamer of other than spiral flutes
// scatters where its cut leaves the metal and enters it again; common practice, no
// published source.
const interruptedScatter = 1.5

// at is the reamer as it cuts at that place.
func (r Reamer) at(a Access) Reamer {
	if a.Interrupted && r.Flutes != "spiral" {
		r.Scatter *= interruptedScatter
	}
	return r
}

// Unsuited says why a reamer cannot do its work in a bore, nil when nothing is
// known against it. Common practice, no published source: a taper lead leaves a
// blind bore tapered; straight flutes drop into a groove that lies along them and
// chatter.
func (r Reamer) Unsuited(a Access, g Guidance) []Reason {
	var out []Reason
	add := func(code, format string, args ...any) {
		out = append(out, Reason{Code: code, Params: []Param{{"reamer", r.Diameter, "um"}}, Text: fmt.Sprintf(format, args...)})
	}
	if a.Blind && r.Lead == "hand_taper" {
		add("taper_lead_in_blind_bore", "Reamer %s has a taper lead and must pass through: a blind bore would stay tapered at its end. Take one with a short machine lead.", r.Code)
	}
	if !a.Blind && a.RoomBeyond != nil && r.LeadLength > *a.RoomBeyond {
		add("no_room_beyond", "Reamer %s must go %.0f mm beyond the bore; there are %.0f mm.", r.Code, r.LeadLength/1000, *a.RoomBeyond/1000)
	}
	if a.RoomBefore != nil && r.Length > *a.RoomBefore {
		add("no_access", "Reamer %s is %.0f mm long; in front of the bore there are %.0f mm.", r.Code, r.Length/1000, *a.RoomBefore/1000)
	}
	if (a.Keyway || a.OilGroove) && r.Flutes == "straight" {
		add("straight_flutes_cross_groove", "Reamer %s has straight flutes, which catch in the keyway or groove and chatter. Take one with spiral flutes.", r.Code)
	}
	if g == Pilot && r.Piloted != nil && !*r.Piloted {
		add("reamer_has_no_pilot", "The cut is to be guided by a pilot, and reamer %s has none.", r.Code)
	}
	return out
}

// suits closes an option whose reamer cannot do the work where the bore is.
func (b *bench) suits(o *Option, r Reamer) {
	for _, why := range r.Unsuited(b.joint.Access, b.joint.Guidance) {
		b.shut(o, why)
	}
}

// spares closes an option that would cut a held bore so that it no longer
// holds. Running and held bores of one pin need different reamers of one
// series: the running one is the pin and its clearance, the held one the pin
// less its interference. A reamer led through both leaves in one line makes them
// the same.
func (b *bench) spares(o *Option, s int) {
	if len(b.joint.Held) == 0 {
		return
	}
	step := b.series[s]
	part := step.heldPart()
	switch h := step.HeldReamer; {
	case h != nil && h.cut().mean >= part.Mid():
		b.shut(o, Reason{Code: "held_cut_to_running_size",
			Params: []Param{{"held_hole", h.cut().mean, "um"}, {"pin", part.Mid(), "um"}},
			Text:   fmt.Sprintf("Reamer %s would cut the held bore as large as the pin, which then turns in it. A held bore needs a smaller reamer of the series than the running one.", h.Code)})
	case h == nil && b.joint.Guidance == LineOfLeaves && step.Reamer != nil:
		b.shut(o, Reason{Code: "held_cut_to_running_size",
			Params: []Param{{"running_hole", step.Reamer.cut().mean, "um"}, {"pin", part.Mid(), "um"}},
			Text:   "Reaming both leaves in one line would cut the held bore to the running size, and the pin would turn in it. Held and running bores need different reamers of one series: name one for the held bore, or guide the cut otherwise."})
	case h == nil && s > b.joint.Fitted:
		o.Reasons = append(o.Reasons, Reason{Code: "held_bore_stays",
			Text: "No reamer for the held bore belongs to this step, so it stays as it is and has to take the larger pin. Never run the running bore's reamer through it."})
	}
}

// heldPart is what of the pin a held bore grips.
func (s Step) heldPart() Interval {
	if s.HeldPart != nil {
		return *s.HeldPart
	}
	return s.Pin
}
