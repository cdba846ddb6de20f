package choice

// Fact is something seen on a joint that speaks against cutting it.
type Fact string

// Facts that forbid a reamer; Coated only eats clearance, a bent or stepped pin
// only must not stay.
const (
	CrackedBoss     Fact = "cracked_boss"
	ThinBoss        Fact = "thin_boss"
	SinteredBush    Fact = "sintered_bush"
	LinedBush       Fact = "lined_bush"
	HardenedBore    Fact = "hardened_bore"
	BentLeaf        Fact = "bent_leaf"
	LeavesOutOfLine Fact = "leaves_out_of_line"
	Coated          Fact = "coated"
	BentPin         Fact = "bent_pin"
	SteppedPin      Fact = "stepped_pin"
)

// factRule says what a fact forbids, and why in words.
type factRule struct {
	ream, hone, bush bool
	keep             bool // any pin in the bores as they are
	leave            bool // the pin now fitted
	text             string
}

// factRules are common practice, no published source.
var factRules = map[Fact]factRule{
	CrackedBoss:     {ream: true, hone: true, bush: true, keep: true, text: "The boss is cracked: cutting or pressing opens the crack. Have it welded or replace the part."},
	ThinBoss:        {ream: true, hone: true, bush: true, text: "The boss is thin: a larger hole may split it."},
	SinteredBush:    {ream: true, hone: true, text: "A sintered bush must not be reamed: cutting closes the pores that carry its oil. Replace the bush."},
	LinedBush:       {ream: true, hone: true, text: "A lined bush must not be reamed: the cut goes through its lining. Replace the bush."},
	HardenedBore:    {ream: true, bush: true, text: "The bore is hardened: a reamer skates on it and is spoiled. Have it honed."},
	BentLeaf:        {ream: true, hone: true, bush: true, text: "A leaf is bent: straighten it first, or the new hole stands at an angle."},
	LeavesOutOfLine: {ream: true, hone: true, bush: true, text: "The leaves are out of line: bring them in line first, or the cut goes to one side."},
	Coated:          {text: "A coating lies on the surfaces and takes its thickness from the clearance."},
	BentPin:         {leave: true, text: "The pin is bent: it binds at one place and is loose at another. Fit a new one."},
	SteppedPin:      {leave: true, text: "The pin has worn a step: it no longer bears along its length, and the step scores the bore as it comes out. Fit a new one."},
}

// Joint is one pin with the bores it turns or is pressed in.
type Joint struct {
	Code    string
	Running []int // features of the set that are its running bores; at least one
	Held    []int // features that are its held bores
	Pin     int   // feature that is the pin now fitted; -1 when it was not read
	Fitted  int   // step of the series now fitted: what has been cut already

	Target     Interval  // clearance asked for, µm
	HeldTarget *Interval // interference asked for in held bores, µm; nil: not judged

	Facts   []Fact
	Dirty   bool    // rusty or dry: it cannot be left as it is
	Coating float64 // clearance taken by coatings still to come, µm on diameter

	Access // what the place allows of a tool

	// Guidance is how the reamer finds its axis, Offset the part of its offset
	// that does not come from the bore's own form (µm of radius). Both are in the
	// posterior's clean-up sizes already (wornsize.Feature): here they are told,
	// and a line through both leaves never cuts a held bore.
	Guidance Guidance
	Offset   float64

	BossDiameter float64 // outer diameter about the bores, µm from nominal; used when MinimumWall > 0
	MinimumWall  float64 // µm of thickness; zero: wall not judged

	Hub *Hub // about the held bores; nil: their grip is told in micrometres only

	Hone        *Hone        // nil: not on offer
	Bush        *Bush        // nil: not on offer
	Replacement *Replacement // nil: not on offer
}

// Reason is a statement about an option. Codes: the facts above;
// not_on_offer, pin_not_available, reamer_not_available, pin_not_read, dirty,
// already_larger, wall_too_thin, held_cut_to_running_size,
// taper_lead_in_blind_bore, no_room_beyond, no_access,
// straight_flutes_cross_groove and reamer_has_no_pilot close an option;
// may_not_clean_up, clearance_not_sure, too_little_to_cut,
// too_much_for_one_pass, held_bore_stays, hub_overstressed,
// held_bore_loose, no_elastic_answer, outside_pressings, last_step, coated are to be minded;
// success_too_unlikely, greater_loss, set_decides_otherwise say why a
// runner-up was not taken.
type Reason struct {
	Code   string
	Params []Param
	Text   string
}

// Param is a number of a Reason.
type Param struct {
	Name  string
	Value float64
	Unit  string // "um", "1", "d", "minor"
}
