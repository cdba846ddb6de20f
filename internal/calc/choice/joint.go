package choice

// Fact is something seen on a joint that speaks against cutting it.
type Fact string

// Facts that forbid a reamer; Coated only eats clearance.
const (
	CrackedBoss     Fact = "cracked_boss"
	ThinBoss        Fact = "thin_boss"
	SinteredBush    Fact = "sintered_bush"
	LinedBush       Fact = "lined_bush"
	HardenedBore    Fact = "hardened_bore"
	BentLeaf        Fact = "bent_leaf"
	LeavesOutOfLine Fact = "leaves_out_of_line"
	Coated          Fact = "coated"
)

// factRule says what a fact forbids, and why in words.
type factRule struct {
	ream, bush, keep bool // true: forbidden
	text             string
}

// factRules are common practice, no published source.
var factRules = map[Fact]factRule{
	CrackedBoss:     {true, true, true, "The boss is cracked: cutting or pressing opens the crack. Have it welded or replace the part."},
	ThinBoss:        {true, true, false, "The boss is thin: a larger hole may split it."},
	SinteredBush:    {true, false, false, "A sintered bush must not be reamed: cutting closes the pores that carry its oil. Replace the bush."},
	LinedBush:       {true, false, false, "A lined bush must not be reamed: the cut goes through its lining. Replace the bush."},
	HardenedBore:    {true, true, false, "The bore is hardened: a reamer skates on it and is spoiled. Have it honed."},
	BentLeaf:        {true, true, false, "A leaf is bent: straighten it first, or the new hole stands at an angle."},
	LeavesOutOfLine: {true, true, false, "The leaves are out of line: bring them in line first, or the cut goes to one side."},
	Coated:          {false, false, false, "A coating lies on the surfaces and takes its thickness from the clearance."},
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

	BossDiameter float64 // outer diameter about the bores, µm from nominal; used when MinimumWall > 0
	MinimumWall  float64 // µm of thickness; zero: wall not judged

	Bush        *Bush        // nil: not on offer
	Replacement *Replacement // nil: not on offer
}

// Reason is a statement about an option. Codes: the facts above;
// not_on_offer, pin_not_available, reamer_not_available, pin_not_read, dirty,
// already_larger, wall_too_thin close an option; may_not_clean_up,
// clearance_not_sure, too_little_to_cut, too_much_for_one_pass, last_step,
// coated are to be minded; success_too_unlikely, greater_loss,
// set_decides_otherwise say why a runner-up was not taken.
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
