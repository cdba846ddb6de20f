package choice

// Interval is a closed range in micrometres from nominal, or, for clearances
// and interferences, in micrometres.
type Interval struct{ Low, High float64 }

// Width is High - Low.
func (i Interval) Width() float64 { return i.High - i.Low }

// Mid is the middle of the range.
func (i Interval) Mid() float64 { return (i.Low + i.High) / 2 }

// Step is one size of a pin series. Steps ascend; the first is the standard.
type Step struct {
	Code string   // "standard", "oversize_1", ...
	Pin  Interval // limits of the pin's running diameter
	// HeldPart is the range of the diameter over the pressed length (the crests
	// of a knurl or spline) where it differs from Pin; nil when the same.
	HeldPart   *Interval
	Reamer     *Reamer // cuts running bores for this pin; nil when there is none
	HeldReamer *Reamer // cuts held bores for this pin; nil when they stay as they are
	PriceMinor int64   // one pin, minor units
	LeadDays   int     // until the pin is here
	Available  bool    // can be had at all
}

// Reamer is a cutter with the law of the hole it makes.
type Reamer struct {
	Code     string
	Diameter float64 // µm from nominal
	// Overcut is the mean of hole minus reamer, OvercutU its standard
	// uncertainty, the same in every hole of the set (µm).
	Overcut, OvercutU float64
	// Scatter is the standard deviation from hole to hole, µm. Below a quarter
	// of OvercutU probabilities near a sharp limit lose accuracy.
	Scatter float64
	// MinCut and MaxCut bound what it may take in one pass, µm on diameter:
	// with less it rubs, with more it chatters or tears. Zero: no bound.
	MinCut, MaxCut float64
	Build
	WearMinor   int64 // wear charge for one hole, minor units
	BorrowMinor int64 // charged once for the job, minor units
	WaitDays    int   // until it is free
	Available   bool
}

// Bush brings a running bore back to the standard size.
type Bush struct {
	Hole        float64  // diameter of the hole it is pressed into, µm from nominal
	Finished    Interval // its bore once pressed in and finished, µm from nominal
	PriceMinor  int64    // one bush
	LabourMinor int64    // fitting one bush
	LeadDays    int
	Bore        Interval // its bore as bought, before it is pressed in, µm from nominal
	Outer       Interval // its outer diameter as bought, µm from nominal
	// Finish cuts the bore in place, since a bush closes in when it is pressed
	// (ClosesIn, µm of its bore at the mean interference); nil: Finished holds as
	// pressed. With a finish the law of its cut counts, not Finished.
	Finish   *Reamer
	ClosesIn float64
}

// Replacement is a new part in place of the worn one.
type Replacement struct {
	PriceMinor  int64 // for the joint
	LabourMinor int64
	LeadDays    int
	Meets       float64 // probability that it meets the target, stated by the caller
}
