package choice

import "pinwright/internal/calc/conformity"

// Kind is what an option does.
type Kind string

// The kinds, in the order in which a joint's options are listed.
const (
	Leave             Kind = "leave"
	CleanAndLubricate Kind = "clean_and_lubricate"
	NewStandardPin    Kind = "new_standard_pin"
	NewPinAsFitted    Kind = "new_pin_as_fitted" // only where an oversize is fitted already
	ReamTo            Kind = "ream_to"
	CutSmallerAndLook Kind = "cut_smaller_and_look"
	HoneTo            Kind = "hone_to"
	BushBack          Kind = "bush_back_to_standard"
	ReplacePart       Kind = "replace_part"
)

// Quantity summarises a law: mean, standard deviation and the central 95 %.
type Quantity struct{ Mean, SD, Low, High float64 }

// Option is one thing that can be done with one joint.
type Option struct {
	Kind Kind
	Step int // step of the pin it ends with; for a look the step it starts with; -1 when none
	Last int // for a look the last step it may go to; else Step
	// Rank orders options by the metal they cost: 0 no cut or standard size,
	// n oversize n, then bush, then new part.
	Rank int
	Open bool // may be chosen; Reasons say why not

	CleanUp  float64             // probability that every running bore cleans up (1 when nothing is cut)
	InTarget float64             // probability of clearance (and interference) within target
	Success  float64             // probability of both
	Verdict  conformity.Decision // of Success, at the risk of a joint

	// Clearance is the tightest, Play the greatest local clearance of the joint
	// (µm). After a cut they are the same. Nil when not known.
	Clearance, Play *Quantity
	Interference    *Quantity // held bores, µm
	Press           *Press    // pushing the pin into one held bore; nil when not known
	Allowance       *Quantity // left to cut at the tightest place, µm on diameter
	TooLittle       float64   // probability that a reamer only rubs in some bore
	TooMuch         float64   // probability that some bore needs a smaller cut first
	WallLeft        *float64  // µm of thickness, mean
	StepsLeft       int       // larger steps still on the ladder afterwards
	RepairsLeft     int       // of those, how many can be cut one after the other
	Passes          []Pass    // the cuts in their order; nil when nothing is cut
	Reamer          *Reamer   // that makes the last of them; nil when none does
	Days            int       // until it is possible
	Ends            []float64 // for a look: probability of ending at each step Step..Last
	PriceMinor      int64     // pins, bushes or parts to buy; for a look those of its last step

	Loss   Loss   // when this joint stood alone
	WayOut WayOut // if it fails
	// Reasons against, or to mind.
	Reasons []Reason

	odds odds
	own  Loss // Loss without tools and waiting
	uses uint64
}

// WayOut is what is left when an option fails.
type WayOut struct {
	Kind      Kind // empty: none
	Step      int
	LossMinor float64 // expected, minor units, from then on
}

// odds is an option's success at every node: of the common errors, times the
// nodes of the cut error of its reamer when cutter >= 0.
type odds struct {
	cutter int       // index of the step whose reamer error is shared; -1: none
	at     []float64 // len nodes (cutter -1) or nodes*len(cutNodes), node-major
}
