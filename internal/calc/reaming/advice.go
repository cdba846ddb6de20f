package reaming

import (
	"fmt"
	"math"

	"pinwright/internal/calc/uncertainty"
)

// Tool is what the reamer is made of.
type Tool string

// The tool materials of the table.
const (
	HSS     Tool = "hss"
	Carbide Tool = "carbide"
)

// Drive is what turns the reamer.
type Drive string

// The drives; a lathe or a mill is as good as each other here.
const (
	Hand        Drive = "hand"
	HandDrill   Drive = "hand_drill"
	PillarDrill Drive = "pillar_drill"
	Lathe       Drive = "lathe"
	Mill        Drive = "mill"
)

func (d Drive) machine() bool { return d == PillarDrill || d == Lathe || d == Mill }

// Question is a hole to be reamed.
type Question struct {
	Diameter      float64 // of the reamer, mm
	Work          Work
	HB            float64 // Brinell hardness; 0: not known
	Tool          Tool    // empty: HSS
	Drive         Drive   // empty: PillarDrill
	Flutes        int     // 0: six, assumed
	Bore          float64 // as it is now, mm; 0: not told
	SpindleSpeeds []float64
}

// Range is a least and a greatest value.
type Range struct{ Least, Greatest float64 }

// Verdict says what the stock at hand means.
type Verdict string

// The verdicts on stock: too little only rubs, hardens the wall and wears the
// reamer; more than the greatest wants several cuts.
const (
	TooLittle Verdict = "too_little"
	Enough    Verdict = "enough"
	TooMuch   Verdict = "too_much"
)

// Advice is the answer. Speeds are m/min, spindle speeds 1/min, feeds mm, mm/min;
// stock is on the diameter, mm. What does not apply (spindle speed and feed by
// hand) is zero.
type Advice struct {
	Question  Question // with what was filled in
	Row       Row
	Speed     Range // Least is 0 for carbide, which has no lower end
	Spindle   Range
	Set       float64 // the spindle speed of the machine to choose; 0: none, or none told
	Feed      Range   // for each turn
	FeedRate  Range   // for each minute, at Set or else at the greatest spindle speed
	Stock     Range
	StockFrom string  // source of Stock
	Rubs      float64 // stock below which the reamer only rubs
	Bore      float64
	Removed   float64 // Diameter - Bore; 0: not told
	Verdict   Verdict // empty: not told
	Cuts      int     // reamers of rising size that the stock asks for; 0: not told
	Coolant   Remark
	Technique []Remark
	Cautions  []Remark
	Assumed   []uncertainty.Remark
	Warnings  []uncertainty.Remark
}

// Remark is advice with its source.
type Remark struct{ Code, Text, Source string }

// The diameters that the tables of stock reach, in mm, and how fast a hand drill
// should turn a reamer at most.
const (
	Smallest      = 1.0
	Largest       = 2.5 * millimetre
	handDrillMost = 300
	usualFlutes   = 6
)

// Advise works out how to ream. ErrInput, ErrWork and ErrHardness say what cannot
// be answered. Sources are told with each part of the answer and in the package
// comment.
func Advise(q Question) (Advice, error) {
	a := Advice{Question: q}
	if err := a.complete(); err != nil {
		return Advice{}, err
	}
	q = a.Question
	row, assumed, err := RowFor(q.Work, q.HB)
	if err != nil {
		return Advice{}, err
	}
	a.Row = row
	if assumed {
		a.assume("assumed_hardness", fmt.Sprintf("The hardness of %s was taken as %v to %v HB, as it is usually met (common practice, no published source).", row.Name, row.FromHB, row.ToHB))
	}
	if q.HB > 0 && row.ToHB == 0 {
		a.assume("hardness_not_used", "The table has one speed for "+row.Name+", whatever its hardness.")
	}
	if q.Work == "alloy_steel" {
		a.assume("assumed_as_cast", "Alloy steel was given the table's speeds for cast steels of the same grades.")
	}
	a.turn()
	a.stock()
	a.Coolant = coolantFor(q.Work)
	a.remarks()
	return a, nil
}

func (a *Advice) assume(code, text string) {
	a.Assumed = append(a.Assumed, uncertainty.Remark{Code: code, Text: text})
}

func (a *Advice) warn(code, text string) {
	a.Warnings = append(a.Warnings, uncertainty.Remark{Code: code, Text: text})
}

func (a *Advice) complete() error {
	q := &a.Question
	if !(q.Diameter >= Smallest && q.Diameter <= Largest) {
		return fmt.Errorf("%w: a diameter of %v mm; advice is given from %v to %v mm", ErrInput, q.Diameter, Smallest, Largest)
	}
	if !(q.HB >= 0) || math.IsInf(q.HB, 0) {
		return fmt.Errorf("%w: %v HB", ErrHardness, q.HB)
	}
	if q.Tool == "" {
		q.Tool = HSS
		a.assume("assumed_tool", "The reamer was taken to be of high-speed steel.")
	}
	if q.Drive == "" {
		q.Drive = PillarDrill
		a.assume("assumed_drive", "The reamer was taken to be turned by a pillar drill.")
	}
	if q.Tool != HSS && q.Tool != Carbide {
		return fmt.Errorf("%w: tool %.20q is neither hss nor carbide", ErrInput, string(q.Tool))
	}
	if !q.Drive.machine() && q.Drive != Hand && q.Drive != HandDrill {
		return fmt.Errorf("%w: drive %.20q is none of hand, hand_drill, pillar_drill, lathe, mill", ErrInput, string(q.Drive))
	}
	if q.Flutes == 0 {
		q.Flutes = usualFlutes
		if q.Drive.machine() {
			a.assume("assumed_flutes", "Six flutes were assumed (common practice, no published source).")
		}
	}
	if q.Flutes < 1 || q.Flutes > 40 {
		return fmt.Errorf("%w: %d flutes; from 1 to 40", ErrInput, q.Flutes)
	}
	for _, n := range q.SpindleSpeeds {
		if !(n > 0) || math.IsInf(n, 0) {
			return fmt.Errorf("%w: a spindle speed of %v; it must be over 0", ErrInput, n)
		}
	}
	if q.Bore != 0 && !(q.Bore > 0 && q.Bore < q.Diameter) {
		return fmt.Errorf("%w: a bore of %v mm leaves a reamer of %v mm nothing to cut", ErrInput, q.Bore, q.Diameter)
	}
	return nil
}

// SpindleSpeed is the turns a minute of a diameter in mm at a cutting speed in m/min.
func SpindleSpeed(speed, diameter float64) float64 { return 1000 * speed / (math.Pi * diameter) }

// Feed for each flute and turn, mm.
var feedPerFlute = Range{0.002 * millimetre, 0.003 * millimetre}

// turn works out speeds and feeds.
func (a *Advice) turn() {
	q := a.Question
	a.Speed = Range{a.Row.Drilling / 2 * feetPerMin, a.Row.HSS * feetPerMin}
	if q.Tool == Carbide {
		a.Speed = Range{0, a.Row.Carbide * feetPerMin}
	}
	a.Speed.Least = math.Min(a.Speed.Least, a.Speed.Greatest)
	if q.Drive == Hand {
		return
	}
	a.Spindle = Range{SpindleSpeed(a.Speed.Least, q.Diameter), SpindleSpeed(a.Speed.Greatest, q.Diameter)}
	if q.Drive == HandDrill {
		a.Spindle.Greatest = math.Min(handDrillMost, math.Max(a.Spindle.Least, a.Spindle.Greatest/2))
		a.Spindle.Least = math.Min(a.Spindle.Least, a.Spindle.Greatest)
	}
	a.choose()
	if q.Drive.machine() {
		flutes := float64(q.Flutes)
		at := a.Spindle.Greatest
		if a.Set > 0 {
			at = a.Set
		}
		a.Feed = Range{flutes * feedPerFlute.Least, flutes * feedPerFlute.Greatest}
		a.FeedRate = Range{at * a.Feed.Least, at * a.Feed.Greatest}
	}
}

// choose takes the fastest of the machine's own speeds that is not too fast.
func (a *Advice) choose() {
	for _, n := range a.Question.SpindleSpeeds {
		if n <= a.Spindle.Greatest*(1+1e-9) && n > a.Set {
			a.Set = n
		}
	}
	if len(a.Question.SpindleSpeeds) > 0 && a.Set == 0 {
		a.warn("machine_too_fast", fmt.Sprintf("Every speed of the machine is over %.0f a minute: ream by hand, turning the spindle or a tap wrench.", a.Spindle.Greatest))
	}
}

// machineStock is the stock on the diameter, inches, up to a diameter in inches.
var machineStock = []struct{ upTo, least, greatest float64 }{
	{0.170, 0.005, 0.010}, {0.280, 0.008, 0.012}, {0.880, 0.010, 0.016}, {2.5, 0.015, 0.030},
}

// removesMarks is the least stock, inches, that a machine reamer needs to remove the
// marks of the tool before it (TM 1-420, 37: 0.005 to 0.010 in).
const removesMarks = 0.005

// smallestStocked is where the printed table of stock begins, inches.
const smallestStocked = 0.090

func (a *Advice) stock() {
	q := a.Question
	inches := q.Diameter / millimetre
	switch {
	case !q.Drive.machine():
		a.Stock, a.StockFrom = Range{0.002 * millimetre, 0.003 * millimetre}, "TM 1-1500-204-23-9, hand reamers"
	case inches < smallestStocked:
		a.Stock, a.StockFrom = Range{0.05, 0.1}, practice
	default:
		for _, s := range machineStock {
			if inches <= s.upTo {
				a.Stock, a.StockFrom = Range{s.least * millimetre, s.greatest * millimetre}, "material left for reaming, a toolmaker's page"
				break
			}
		}
		if light(q.Work) {
			a.Stock = Range{1.5 * a.Stock.Least, 1.5 * a.Stock.Greatest}
			a.StockFrom += "; half as much again in light metals, a training text on undersizes"
		}
	}
	a.Rubs = math.Min(a.Stock.Least, removesMarks*millimetre)
	if q.Bore == 0 {
		return
	}
	a.Bore, a.Removed = q.Bore, q.Diameter-q.Bore
	a.Cuts = int(math.Max(1, math.Ceil(a.Removed/a.Stock.Greatest-1e-9)))
	switch {
	case a.Removed < a.Rubs*(1-1e-9):
		a.Verdict = TooLittle
	case a.Cuts > 1:
		a.Verdict = TooMuch
	default:
		a.Verdict = Enough
	}
}

func light(w Work) bool { return w == "wrought_aluminium" || w == "cast_aluminium" }
