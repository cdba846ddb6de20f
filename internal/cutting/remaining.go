package cutting

import (
	"math"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Levels are the probabilities at which Remaining tells its quantiles.
var Levels = []float64{0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99}

// MostUses is a number of uses beyond which nothing is foretold.
const MostUses = 1_000_000

// wornBy is how far below the least size to which it is made a reamer is worn out, µm: about half of what
// the trade's thousandth over the pin leaves (common practice, no published source).
const wornBy = 10.0

// Remaining is how many uses a tool still gives until it is to be sharpened or replaced: of a reamer holes until the
// size that it cuts on average has fallen to its least; of other tools uses until the next failure.
type Remaining struct {
	ToolID    uuid.UUID
	Number    string
	ModelID   uuid.UUID
	Basis     Basis
	Seen      int       // what it rests on beside the prior: cuts and checks, or failures of the model
	Quantiles []float64 // at Levels, in uses, rising; MostUses: no end in sight
}

// Basis is what a Remaining rests on.
type Basis string

// The bases.
const (
	ByCutSize Basis = "cut_size"
	ByLives   Basis = "lives" // a law of lives of the model's tools
)

// Uses is the number of uses within which the end comes with probability p in (0, 1), by straight lines between
// the quantiles and, beyond them, the nearest: Uses of numbers drawn evenly from (0, 1) are drawings of what remains.
func (r Remaining) Uses(p float64) float64 {
	for i, level := range Levels {
		if p > level {
			continue
		}
		if i == 0 {
			return r.Quantiles[0]
		}
		share := (p - Levels[i-1]) / (level - Levels[i-1])
		return r.Quantiles[i-1] + share*(r.Quantiles[i]-r.Quantiles[i-1])
	}
	return r.Quantiles[len(r.Quantiles)-1]
}

// Remaining tells how many holes of a depth each r still cuts until, on average, they fall below needed, µm over
// the marked size.
func (r Reamer) Remaining(each, needed float64) Remaining {
	l := r.Now()
	out := Remaining{ToolID: r.ToolID, Number: r.Number, ModelID: r.ModelID, Basis: ByCutSize, Seen: l.Seen()}
	left := l.Law.Left(l.Travel, needed)
	for _, p := range Levels {
		out.Quantiles = append(out.Quantiles, math.Min(MostUses, math.Floor(left.Quantile(p)/each)))
	}
	return out
}

// Least is the size at which r counts as worn out, µm over its marked size: so much below the least to which it is
// made.
func (r Reamer) Least() float64 {
	if r.Lower != nil {
		return r.Lower.Micrometres() - wornBy
	}
	return -wornBy
}

// UsualEach is the travel of one hole as usual, m.
func UsualEach() float64 { return length.Length(usualDepth).Micrometres() / 1e6 }

// Outlook is what tells how long the club's tools still serve; it is filled when the batch was sent.
type Outlook struct {
	reamers *Known
	lives   *Lives
}

// QueueRemaining asks for what Remaining of all tools in service rests on.
func QueueRemaining(b *postgres.Batch) *Outlook {
	return &Outlook{QueueInService(b), QueueLives(b, nil)}
}

// Remaining of each tool in service of which something can be told: reamers by what they cut, others by the lives of their
// model's tools, once five of those have ended. A tool of which nothing can be told is left out: go by the life that is expected of its model.
func (o *Outlook) Remaining() []Remaining {
	var out []Remaining
	for _, r := range o.reamers.Reamers(Ask{}) {
		out = append(out, r.Remaining(UsualEach(), r.Least()))
	}
	others, err := o.lives.remaining()
	if err != nil {
		panic(err) // lives are made here, each of which can be
	}
	return append(out, others...)
}
