package wornsize

// Shape says whether a feature is a hole or a shaft.
type Shape int

// A bore wears larger, a pin wears smaller.
const (
	Bore Shape = iota
	Pin
)

// Station is a place along the axis of a feature.
type Station int

// A feature is seen in three sections; AnyStation is a reading whose place was
// not noted. On a pin the mouths are its unworn ends.
const (
	AnyStation Station = iota
	MouthA
	Middle
	MouthB
)

// Kind is what a reading observed.
type Kind int

// Measured carries a value; the others say how a gauge of known size behaved.
const (
	Measured Kind = iota
	Go            // the gauge passes the whole length
	NoGo          // the gauge does not enter the mouth tried
	Starts        // the gauge enters a mouth but does not pass
)

// Reading is one observation, already corrected to 20 degrees C.
type Reading struct {
	Kind  Kind
	Value float64 // measured diameter, or the gauge's size, in µm from nominal
	// U is the standard uncertainty of what this reading does not share with
	// others (repeatability, resolution), µm; for a gauge the blur of its feel.
	U float64
	// BiasLow and BiasHigh bound a one-sided error of the method: the reading
	// lies between true+BiasLow and true+BiasHigh, rectangular (µm); both zero
	// for an unbiased method.
	BiasLow, BiasHigh float64
	Common            int     // index into Set.Commons, or -1
	Station           Station // for a gauge: the end that was tried, AnyStation when either or unknown
	Direction         float64 // degrees across the axis, NaN when not noted
	PartLength        bool    // the gauge is shorter than the bore, so a go proves only the sections it reached
	Burred            bool    // the mouth was not deburred: it may be smaller than the metal behind it
}

// Common is an error that several readings share (JCGM 100, 5.2): calibration
// of an instrument in one sitting, or the size of one gauge.
type Common struct {
	U         float64 // standard uncertainty, µm, normal
	HalfWidth float64 // half width of a rectangular law, µm; used when U is zero
}

// Form holds the means, in µm, of the exponential laws of form error, and the
// allowance for feel.
type Form struct {
	BellMouth   float64 // τ: how much a mouth is larger than the base size
	MiddleShare float64 // share of BellMouth that applies to the middle section
	Ovality     float64 // ω: largest minus smallest diameter of one section
	Surface     float64 // α: metal to be reached beyond the clean surface (rust, pits)
	Feel        float64 // f: how much a bore must exceed a gauge for it to go
	Lobing      float64 // exponent k of |cos|^k: 2 for an ellipse, 1 for one-sided wear; zero means 2
	Burr        float64 // mean inward lip of a mouth that was not deburred; zero means as much as BellMouth
}

// Guidance is how the reamer finds its axis.
type Guidance int

// Floating follows the worn bore; HeldToAxis (pilot, jig, line of two leaves)
// keeps the original axis and must reach further on the worn side.
const (
	Floating Guidance = iota
	HeldToAxis
)

// Prior is what is believed of the base size before any reading: flat from
// Low to High (µm from nominal) with normal shoulders of standard deviation
// Shoulder.
type Prior struct{ Low, High, Shoulder float64 }

// Feature is one cylinder with its readings.
type Feature struct {
	Shape        Shape
	Readings     []Reading
	Form         Form
	Prior        Prior
	Guidance     Guidance
	Misalignment float64 // further offset of the cut's axis, µm of radius
}

// Set is the features that share instruments and sittings.
type Set struct {
	Features []Feature
	Commons  []Common
	// Stop, when given, is asked between features and nodes of the shared errors
	// whether to give up (ErrStopped): let it report that nobody waits for the
	// answer any more. It is called by several goroutines at once and may say yes
	// once only if it keeps saying so.
	Stop func() bool
}

// Law is a probability law on a line, given by its cumulative function at
// ascending sizes X (µm from nominal), linear in between.
type Law struct{ X, P []float64 }

// FeaturePosterior is what the readings say of one feature.
type FeaturePosterior struct {
	Passing Law // bore: largest cylinder that passes; pin: its largest size, which decides whether it passes
	CleanUp Law // bore: what a reamer must reach, guidance and surface included; pin: its smallest size, which decides the play
	// Original is, for a pin, the size of its unworn ends, the witness of what
	// was fitted; for a bore, its base size.
	Original Law
	// CleanUpAt and PassingAt are the same laws given each node of the common
	// errors (see Posterior.Weights).
	PassingAt, CleanUpAt []Law
}

// Posterior is the joint answer for a set: given a node of the common errors
// the features are independent, so a probability over the set is the
// Weights-weighted sum of products.
type Posterior struct {
	Weights     []float64 // posterior weight of each node, sum 1
	Features    []FeaturePosterior
	LogEvidence float64 // natural log of the probability (density) of all readings
}
