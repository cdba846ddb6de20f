package cutting

import (
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/reamerwear"
	"pinwright/internal/calc/severity"
	"pinwright/internal/tool"
)

// What a reamer cuts when nothing is known of it yet, in micrometres over its marked size: new reamers
// a little over, worn ones a little under; the same in every hole but for the scatter
// (common practice, no published source).
const (
	Overcut  = 0.0
	OvercutU = 3.0
	Scatter  = 2.0
	// ExpansionU is what setting an expansion reamer adds to the doubt.
	ExpansionU = 6.0
	// otherU is the doubt of what a reamer cuts over its edges, or under another guidance.
	otherU = 2.0
)

// rates are what a metre of cut takes off, µm on diameter, and the doubt of that, by what the reamer is made of
// (common practice, no published source); the default is high-speed steel, in mild steel with oil.
var rates = map[string][2]float64{"carbon_steel": {1, 1}, "hss": {0.5, 0.5}, "hss_cobalt": {0.35, 0.35}, "carbide": {0.1, 0.1}}

// Reamer is what is known of one reamer; sizes are micrometres over the marked size, travels metres.
type Reamer struct {
	ToolID    uuid.UUID
	Number    string
	ModelID   uuid.UUID
	ModelCode string
	Marked    length.Length
	Lower     *length.Length // how far below its marked size it may be as made
	Build     tool.Build
	State     string
	Lives     []Life // the last is the present one; there always is one
}

// Life is from one renewal to the next.
type Life struct {
	By      Kind // the renewal that began it; empty: the first
	Began   time.Time
	Law     reamerwear.State
	Travel  float64 // metres, each counted by how hard it was to cut
	Weighed bool    // whether some counted otherwise than once
	Holes   int     // cut, verified or not
	Events  []Event
	Cut     map[severity.Way]float64 // metres, where asked for
}

// Event is one that told a size.
type Event struct {
	Kind     Kind
	At       time.Time
	Size     float64
	U        float64 // of the measurement, with what another guidance or the edges add
	Travel   float64 // before it, in this life
	Surprise float64 // one-step residual, standard normal while the law holds
	Expected float64 // what the law before it foretold
	Cut      map[severity.Way]float64
}

// Now is the present life.
func (r Reamer) Now() Life { return r.Lives[len(r.Lives)-1] }

// Seen is how many events told of the size in the present life.
func (l Life) Seen() int { return len(l.Events) }

// Next is the law of the next hole.
func (l Life) Next() reamerwear.Law { return l.Law.CutSize(l.Travel) }

// Ask is how reamers are looked at.
type Ask struct {
	Guidance string // of the hole that is asked about; empty: the usual, whichever that is
	Ways     bool   // whether what was cut is told apart by its ways
}

// Reamers learns of each reamer that was asked for, by number.
func (k *Known) Reamers(a Ask) []Reamer {
	if k == nil {
		return nil
	}
	var out []Reamer
	for i := range k.rows.Items {
		one := &k.rows.Items[i]
		if len(out) == 0 || out[len(out)-1].ToolID != one.ToolID {
			r := Reamer{ToolID: one.ToolID, Number: one.Number, ModelID: one.ModelID, ModelCode: one.ModelCode, Marked: length.Length(one.MarkedNm), Build: one.Build, State: one.State}
			if one.ToleranceLowerNm != nil {
				lower := length.Length(*one.ToleranceLowerNm)
				r.Lower = &lower
			}
			r.begin("", time.Time{}, Overcut, r.Doubt())
			out = append(out, r)
		}
		if one.Kind != nil {
			out[len(out)-1].add(*one, a)
		}
	}
	return out
}

// Doubt is the standard uncertainty of what r cuts when nothing is known of it, µm.
func (r Reamer) Doubt() float64 {
	if r.Build.Expansion != nil && *r.Build.Expansion {
		return math.Hypot(OvercutU, ExpansionU)
	}
	return OvercutU
}

func (r *Reamer) begin(by Kind, at time.Time, size, u float64) {
	rate := rates["hss"]
	if m := r.Build.Material; m != nil {
		if known, ok := rates[*m]; ok {
			rate = known
		}
	}
	law, err := reamerwear.New(reamerwear.Prior{Size: size, SizeU: u, Rate: rate[0], RateU: rate[1],
		Scatter: []reamerwear.Scatter{{Sigma: Scatter / 2, Weight: 1}, {Sigma: Scatter, Weight: 2}, {Sigma: 2 * Scatter, Weight: 1}}})
	if err != nil {
		panic(fmt.Sprintf("cutting: %v", err)) // a prior of our own
	}
	r.Lives = append(r.Lives, Life{By: by, Began: at, Law: law})
}

func (r *Reamer) add(e row, a Ask) {
	if e.Kind.renews() {
		r.renew(*e.Kind, *e.At)
		return
	}
	l := &r.Lives[len(r.Lives)-1]
	if e.Kind.observes() {
		l.observe(e, r.Marked, a)
	}
	if *e.Kind != CutterReading {
		if a.Ways {
			l.cut(wayOf(e.Material, e.Lubricant), length.Length(*e.DepthNm).Micrometres()/1e6)
		}
		counts := hardship(e.Material, e.Lubricant)
		l.Travel += length.Length(*e.DepthNm).Micrometres() / 1e6 * counts
		l.Weighed = l.Weighed || counts != 1
		l.Holes += int(*e.Holes)
	}
}

// renew begins a new life with what the last one leaves.
func (r *Reamer) renew(by Kind, at time.Time) {
	switch by {
	case Sharpened:
		last := r.Now()
		law := last.Next()
		shared, _ := law.Shares()
		r.begin(by, at, law.Mean(), math.Hypot(shared, OvercutU))
	case Adjusted:
		r.begin(by, at, Overcut, math.Hypot(OvercutU, ExpansionU))
	default:
		r.begin(by, at, Overcut, r.Doubt())
	}
}

func (l *Life) observe(e row, marked length.Length, a Ask) {
	one := Event{Kind: *e.Kind, At: *e.At, Size: (length.Length(*e.SizeNm) - marked).Micrometres(), U: length.Length(*e.UNm).Micrometres(), Travel: l.Travel}
	switch {
	case one.Kind == CutterReading:
		one.Size, one.U = one.Size+Overcut, math.Hypot(one.U, otherU)
	case a.Guidance != "" && e.Guidance != nil && *e.Guidance != a.Guidance:
		one.U = math.Hypot(one.U, otherU)
	}
	if a.Ways {
		one.Cut = l.cutSoFar()
	}
	one.Expected = l.Next().Mean()
	var err error
	if l.Law, one.Surprise, err = l.Law.Observe(reamerwear.Observation{Travel: l.Travel, Size: one.Size, U: one.U}); err != nil {
		panic(fmt.Sprintf("cutting: %v", err)) // what the tables hold is finite and above zero
	}
	l.Events = append(l.Events, one)
}
