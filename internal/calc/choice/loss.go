package choice

// Losses puts everything that can go wrong into minor units of the club's
// currency. The defaults are common practice, no published source: orders of
// magnitude for a currency with hundredths. A caller that uses them says so
// among what was assumed.
type Losses struct {
	WaitingDay float64 // a vehicle standing one day
	FailedCut  float64 // work and nerves of a cut that did not clean up or came out of target
	FailedTry  float64 // work of fitting without cutting and taking it apart again
	LostWall   float64 // each 100 µm of diameter cut away in vain
	StepSpent  float64 // each step of the ladder used up: a future repair
	Hole       float64 // labour of cutting one hole
	ExtraPass  float64 // a hole that needs a smaller cut first
	Look       float64 // bluing and looking after a cut
	Clean      float64 // cleaning and lubricating a joint
	Assemble   float64 // fitting a new pin
	NoWayOut   float64 // a failed cut with no larger step, bush or part on offer
	// Unproved is what it is worth to have a joint proved and not merely hoped
	// for; it only ranks readings, it never changes a choice.
	Unproved float64
}

// DefaultLosses are the documented defaults.
func DefaultLosses() Losses {
	return Losses{
		WaitingDay: 150,
		FailedCut:  2500,
		FailedTry:  1200,
		LostWall:   500,
		StepSpent:  400,
		Hole:       200,
		ExtraPass:  200,
		Look:       400,
		Clean:      200,
		Assemble:   300,
		NoWayOut:   20000,
		Unproved:   1500,
	}
}

// Risk is the greatest accepted probability of not meeting the target.
type Risk struct{ Joint, Set float64 }

// DefaultRisk is 5 % for a joint and 5 % for the set.
func DefaultRisk() Risk { return Risk{Joint: 0.05, Set: 0.05} }

// Loss is an expected loss in minor units, part by part. It is an expectation
// for comparing, not an amount to be booked.
type Loss struct {
	Pins    float64 // pins, bushes, parts
	Wear    float64 // wear charges
	Tools   float64 // what tools cost once a job
	Labour  float64
	Steps   float64 // ladder steps spent
	Waiting float64
	Risk    float64 // probability of failure times the cost of the way out
}

// Total adds the parts.
func (l Loss) Total() float64 {
	return l.own() + l.Tools + l.Waiting
}

// own is the part that belongs to one joint alone, whatever the others do.
func (l Loss) own() float64 { return l.Pins + l.Wear + l.Labour + l.Steps + l.Risk }

func (l Loss) plus(m Loss) Loss {
	return Loss{l.Pins + m.Pins, l.Wear + m.Wear, l.Tools + m.Tools, l.Labour + m.Labour,
		l.Steps + m.Steps, l.Waiting + m.Waiting, l.Risk + m.Risk}
}
