package choice

import (
	"math"
	"testing"
)

// Common practice, no published source: which reamer cannot do its work where.
func TestAReamerThatDoesNotSuitThePlaceClosesItsStepAndSaysWhy(t *testing.T) {
	t.Parallel()
	no, yes, room := false, true, 12000.0
	for _, c := range []struct {
		name, code string
		build      Build
		access     Access
		guidance   Guidance
	}{
		{"nothing known", "", Build{}, Access{Blind: true, Keyway: true, RoomBeyond: &room, RoomBefore: &room}, Pilot},
		{"taper lead in a blind bore", "taper_lead_in_blind_bore", Build{Lead: "hand_taper"}, Access{Blind: true}, Floating},
		{"machine lead in a blind bore", "", Build{Lead: "machine", LeadLength: 2000}, Access{Blind: true}, Floating},
		{"taper lead through", "", Build{Lead: "hand_taper", LeadLength: 12000}, Access{RoomBeyond: &room}, Floating},
		{"no room for the lead", "no_room_beyond", Build{Lead: "hand_taper", LeadLength: 12001}, Access{RoomBeyond: &room}, Floating},
		{"no room for the reamer", "no_access", Build{Length: 130000}, Access{RoomBefore: &room}, Floating},
		{"straight flutes over a keyway", "straight_flutes_cross_groove", Build{Flutes: "straight"}, Access{Keyway: true}, Floating},
		{"straight flutes over an oil groove", "straight_flutes_cross_groove", Build{Flutes: "straight"}, Access{OilGroove: true}, Floating},
		{"spiral flutes over a keyway", "", Build{Flutes: "spiral"}, Access{Keyway: true}, Floating},
		{"pilot without a pilot", "reamer_has_no_pilot", Build{Piloted: &no}, Access{}, Pilot},
		{"pilot with a pilot", "", Build{Piloted: &yes}, Access{}, Pilot},
	} {
		p := problem(single(bore(60, 80, 4)), hinge("h", 0))
		p.Series[1].Reamer.Build = c.build
		p.Joints[0].Access, p.Joints[0].Guidance = c.access, c.guidance
		list := decide(t, p).Options[0]
		o := find(t, list, ReamTo, 1)
		if o.Open != (c.code == "") || c.code != "" && !has(o, c.code) {
			t.Errorf("%s: open %v, %+v; want %q", c.name, o.Open, o.Reasons, c.code)
		}
		if other := find(t, list, ReamTo, 2); !other.Open {
			t.Errorf("%s: another reamer was closed, too: %+v", c.name, other.Reasons)
		}
	}
}

func TestABentOrSteppedPinMustNotStay(t *testing.T) {
	t.Parallel()
	for _, f := range []Fact{BentPin, SteppedPin} {
		j := hinge("h", 0)
		j.Dirty, j.Pin, j.Facts = false, 1, []Fact{f}
		a := decide(t, problem(single(bore(18, 22, 2), bore(-4, -6, 1)), j))
		for _, k := range []Kind{Leave, CleanAndLubricate} {
			if o := find(t, a.Options[0], k, -1); o.Open || !has(o, string(f)) {
				t.Errorf("%s: %s is open: %+v", f, k, o.Reasons)
			}
		}
		if o := a.Options[0][a.Chosen.Joints[0].Option]; o.Kind != NewStandardPin || a.Chosen.Status != Decided {
			t.Errorf("%s: chosen %s, %s; want a new standard pin", f, o.Kind, a.Chosen.Status)
		}
	}
}

// A held bore is never cut to the running size: a line through both leaves
// needs a smaller reamer for the held one.
func TestAHeldBoreIsNeverCutToTheRunningSize(t *testing.T) {
	t.Parallel()
	pin := inch(0.317) - 2.5
	for _, c := range []struct {
		name     string
		guidance Guidance
		held     *Reamer
		open     bool
		code     string
	}{
		{"line without a reamer for it", LineOfLeaves, nil, false, "held_cut_to_running_size"},
		{"floating without a reamer for it", Floating, nil, true, "held_bore_stays"},
		{"line with the running reamer", LineOfLeaves, &Reamer{Code: "0.318", Diameter: inch(0.318), Scatter: 1, Available: true}, false, "held_cut_to_running_size"},
		{"floating with the running reamer", Floating, &Reamer{Code: "0.318", Diameter: inch(0.318), Scatter: 1, Available: true}, false, "held_cut_to_running_size"},
		{"line with its own", LineOfLeaves, &Reamer{Code: "0.3162", Diameter: pin - 15, Scatter: 1, Available: true}, true, ""},
	} {
		p := problem(single(bore(60, 80, 4), bore(-20, -10, 2)), hinge("h", 0))
		p.Joints[0].Held, p.Joints[0].Guidance = []int{1}, c.guidance
		p.Series[1].HeldReamer = c.held
		o := find(t, decide(t, p).Options[0], ReamTo, 1)
		if o.Open != c.open || c.code != "" && !has(o, c.code) {
			t.Errorf("%s: open %v, %+v", c.name, o.Open, o.Reasons)
		}
	}
	// A knurl stands over its pin: its hole may be the running one's size.
	p := problem(single(bore(60, 80, 4), bore(-20, -10, 2)), hinge("h", 0))
	p.Joints[0].Held, p.Joints[0].Guidance = []int{1}, LineOfLeaves
	p.Series[1].HeldPart = &Interval{inch(0.318) + 80, inch(0.318) + 120}
	p.Series[1].HeldReamer = &Reamer{Code: "0.318", Diameter: inch(0.318), Scatter: 1, Available: true}
	if o := find(t, decide(t, p).Options[0], ReamTo, 1); !o.Open || math.Abs(o.Interference.Mean-100) > 0.01 {
		t.Errorf("knurled: open %v, %+v, %+v", o.Open, o.Interference, o.Reasons)
	}
}
