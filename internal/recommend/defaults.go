package recommend

import (
	"math"
	"slices"

	"pinwright/internal/calc/choice"
	"pinwright/internal/cutting"
)

// What a reamer cuts when nothing is known of it yet, in micrometres: new
// reamers cut a little over their size, worn ones a little under; the same in
// every hole of a set but for the scatter (common practice, no published source).
const (
	defaultOvercut  = cutting.Overcut
	defaultOvercutU = cutting.OvercutU
	defaultScatter  = cutting.Scatter
	// With less than leastCut on diameter a reamer rubs and glazes; beyond mostCut in
	// one pass a hand reamer chatters or tears.
	leastCut = 20
	mostCut  = 300
	// reamerMatch is how near a club's reamer must be to the size that a step names.
	reamerMatch = 2
)

// A bush and a new part, when nobody has priced them: minor units of a currency
// with hundredths, days, a bush with a wall of a millimetre (common practice, no
// published source).
const (
	bushWall          = 1000 // µm
	bushPrice         = 1500
	bushLabour        = 2500
	bushLeadDays      = 7
	partPrice         = 14000
	partLabour        = 3000
	partLeadDays      = 14
	partMeets         = 0.99
	defaultLeadDays   = 7
	deliveryQuantile  = 0.9
	defaultGaugeBlur  = 1.0 // µm of feel, for a gauge that could be tried
	instrumentSpreadU = 4.0 // µm of one reading of a bore with an instrument that could be used
)

func bushFor(standard choice.Step, target choice.Interval) *choice.Bush {
	pin := standard.Pin.Mid()
	return &choice.Bush{Hole: pin + 2*bushWall, Finished: choice.Interval{Low: standard.Pin.High + target.Low, High: math.Max(standard.Pin.High+target.Low, standard.Pin.Low+target.High)},
		PriceMinor: bushPrice, LabourMinor: bushLabour, LeadDays: bushLeadDays}
}

// leadDays is when a pin is here: the 90 % quantile of the supplier's recorded
// times, else what the series states, else a week.
func leadDays(s StepRow, assumed *remarks) int {
	if n := len(s.DeliveryDays); n > 0 {
		sorted := slices.Clone(s.DeliveryDays)
		slices.Sort(sorted)
		at := int(math.Ceil(deliveryQuantile*float64(n))) - 1 // nearest rank
		return int(sorted[at])
	}
	if s.LeadDays != nil {
		return int(*s.LeadDays)
	}
	assumed.add("assumed_lead_time", map[string]any{"days": defaultLeadDays}, "Pins were taken to be here in %d days, since the series states no lead time and no delivery is recorded.", defaultLeadDays)
	return defaultLeadDays
}
