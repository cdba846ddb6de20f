package trend

// Estimate is a number that the points tell, in the unit of y, or of y per x
// for a rate. Known is false where they do not tell it, and everything else
// then 0. Interval is false where its doubt cannot be told (no degrees of
// freedom, or no scatter to take it from), and SE, Low and High then 0.
type Estimate struct {
	Value, SE, Low, High float64
	Known, Interval      bool
}

// Seen is a point with what the line says of it, in the order asked.
type Seen struct {
	Point
	Fitted       float64
	Residual     float64 // Y - Fitted
	Standardised float64 // Residual in standard uncertainties: of U, or of the scatter where none is known; 0 without scatter
	Segment      int
}

// Segment is the line between two changes: y = Intercept + Rate x.
type Segment struct {
	From, To  *float64 // nil: open. From counts to it, To to the next.
	Opened    Change   // "" for the first
	Points    int
	Rate      Estimate
	Intercept Estimate // of its line extended to x = 0
	Start     Estimate // at From; of the first at the first point
}

// RateChange is how the rate differs between neighbouring segments, where a
// change started a new one.
type RateChange struct {
	X             float64
	Change        Change
	Before, After Estimate
	Difference    Estimate // After less Before, with their covariance
	Shown         bool     // the interval of the difference leaves out nought
}

// BandPoint is the line with its doubts at X. A drawing joins points of one
// segment only.
type BandPoint struct {
	X       float64
	Segment int
	Mean    Estimate // of the line
	New     Estimate // of one further reading; SE is its whole standard uncertainty
}

// Set is which shape a set of x has.
type Set string

// The shapes, by Fieller; see the package comment.
const (
	Bounded        Set = "bounded"
	UnboundedAbove Set = "unbounded_above" // from Low on
	UnboundedBelow Set = "unbounded_below" // up to High
	TwoRays        Set = "two_rays"        // up to Low, and from High on
	WholeLine      Set = "whole_line"
	NoSet          Set = "none" // no interval can be told; Why says the reason
)

// Interval is part of the x axis; a nil end is open for ever.
type Interval struct{ From, To *float64 }

// Region is the set of x at which the limit may be reached.
type Region struct {
	Set       Set
	Low, High float64 // the ends that Set has, else 0
	G         float64 // q² var(b)/b²; 0 where there is no set, +Inf for a rate of nought
	Ahead     []Interval
	Why       string // which shape and why, in words
}

// State is what can be said of the crossing at all.
type State string

// The states.
const (
	Crosses     State = "crosses"      // At is where
	Parallel    State = "parallel"     // the rate is nought: the line never reaches the limit, or lies on it
	RateUnknown State = "rate_unknown" // the points of the last segment tell no rate
)

// Crossing is where the last segment's line, extended, reaches the limit.
type Crossing struct {
	Limit      float64
	State      State
	At         float64 // where the mean line does; nought unless State is Crosses
	Behind     bool    // At lies before Now
	Above      bool    // at Now the line lies above the limit
	Now        float64
	AtNow      Estimate // the line at Now
	Mean       Region   // of the mean line
	Individual Region   // of a single reading
}

// Answer is what Solve found.
type Answer struct {
	Points       []Seen
	Segments     []Segment
	Changes      []RateChange
	Scale        Scale // Known or Estimated: which one the intervals use
	Asked        Scale
	Coverage     float64
	Quantile     float64 // q of the intervals; 0 where there are none
	Parameters   int     // that the points tell
	DoF          int
	ChiSquare    float64 // weighted sum of squared residuals; meaningful where uncertainties were given
	PChiSquare   float64 // probability of a larger one were the uncertainties true; 1 without degrees of freedom
	Birge        float64 // √(ChiSquare/DoF); 0 without degrees of freedom
	ResidualSD   float64 // √(Σ residual²/DoF), in the unit of y; 0 without degrees of freedom
	SharedU      float64
	NewU         float64 // standard uncertainty of one further reading, as New uses it
	Band         []BandPoint
	Crossing     *Crossing // nil: no limit was given
	NoInterval   Reason    // why there are no intervals; "" where there are
	HasUncertain bool      // the points came with uncertainties
}

// Reason is why there are no intervals.
type Reason string

// The reasons.
const (
	NoPoints  Reason = "no_points"
	NoFreedom Reason = "no_degrees_of_freedom" // as many parameters as points
	NoScatter Reason = "no_scatter"            // all points lie on the line: rounding hides the doubt
)
