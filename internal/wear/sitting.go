package wear

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
	"pinwright/internal/recommend"
)

// Size is an estimate with its standard uncertainty, in micrometres.
type Size struct{ Value, U float64 }

// Sitting is what was read of a joint on one day, before or after a repair on
// it.
type Sitting struct {
	At        time.Time // the middle of the bore's readings
	Repairs   int       // how many came before it
	Bore, Pin Size
	PinOn     *time.Time // the day of the sitting at which the pin was read; nil: taken as standard
	Clearance Size
	Readings  []uuid.UUID
	X         float64 // on the trend's axis, where Why is empty
	Why       string  // why it counts for nothing; empty where it counts

	instrument string  // what alone read the bore, with its calibration; "" for several
	calibrated float64 // that calibration's standard uncertainty
	way        string  // where, how and with what the bore was measured; "" where a gauge was tried
	reading    float64 // standard uncertainty of the bore by what differs between sittings read in one way
}

// mostSittings bounds the work of an answer: each takes as long as an estimate.
const mostSittings = 30

// bench estimates features from single sittings.
type bench struct {
	snapshot *recommend.Snapshot
	unit     length.Unit
	assumed  remarks
	warnings remarks
}

// remarks collects each remark once.
type remarks struct{ list []reading.Remark }

func (r *remarks) add(code string, params map[string]any, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if !slices.ContainsFunc(r.list, func(x reading.Remark) bool { return x.Code == code && x.Text == text }) {
		r.list = append(r.list, reading.Remark{Code: code, Params: params, Text: text})
	}
}

// estimate is the size of feature f by readings alone.
func (b *bench) estimate(joint recommend.JointRow, f recommend.FeatureRow, readings []reading.Observation) (Size, recommend.FeatureEstimate, error) {
	s := &recommend.Snapshot{Joints: &postgres.Rows[recommend.JointRow]{Items: []recommend.JointRow{joint}}, Features: &postgres.Rows[recommend.FeatureRow]{Items: []recommend.FeatureRow{f}},
		Readings: &postgres.Rows[reading.Observation]{Items: readings}, Steps: b.snapshot.Steps}
	e, err := recommend.EstimateFeature(s, f.ID, b.unit)
	if err != nil {
		return Size{}, e, err
	}
	for _, w := range e.Warnings {
		b.warnings.add(w.Code, w.Params, "%s", w.Text)
	}
	for _, w := range e.Assumed {
		b.assumed.add(w.Code, w.Params, "%s", w.Text)
	}
	// The standard uncertainty of the law's central interval, as a normal law's.
	return Size{e.Passing.Median, (e.Passing.High - e.Passing.Low) / (2 * 1.959963984540054)}, e, nil
}

func day(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }

// repairs are the times at which the joint was repaired, in order: by events,
// and where a reading of the bore is the first after work on it. Of both on one
// day the reading's time stands, since what was read before it is of the old
// size.
func repairs(events []Event, bore []reading.Observation) []time.Time {
	var out []time.Time
	worn := false // the last reading was of a worn bore
	for _, r := range bore {
		made := r.Stage == "reamed" || r.Stage == "assembled"
		if made && worn {
			out = append(out, r.TakenAt)
		}
		worn = !made
	}
	for _, e := range events {
		if e.Kind == Repaired && !slices.ContainsFunc(out, func(t time.Time) bool { return day(t).Equal(day(e.OccurredAt)) }) {
			out = append(out, e.OccurredAt)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

func before(list []time.Time, t time.Time) int {
	n := 0
	for _, x := range list {
		if !x.After(t) {
			n++
		}
	}
	return n
}

// group is the readings of one feature at one sitting.
type group struct {
	day     time.Time
	repairs int
	of      []reading.Observation
}

// grouped sorts readings, which are in the order of time, into sittings.
// Doubtful ones stay out.
func grouped(readings []reading.Observation, feature uuid.UUID, repaired []time.Time) []group {
	var out []group
	for _, r := range readings {
		if r.FeatureID != feature || r.Doubtful != nil {
			continue
		}
		d, n := day(r.TakenAt), before(repaired, r.TakenAt)
		if k := len(out); k > 0 && out[k-1].day.Equal(d) && out[k-1].repairs == n {
			out[k-1].of = append(out[k-1].of, r)
			continue
		}
		out = append(out, group{day: d, repairs: n, of: []reading.Observation{r}})
	}
	return out
}

func (g group) middle() time.Time {
	first := g.of[0].TakenAt
	var sum time.Duration
	for _, r := range g.of {
		sum += r.TakenAt.Sub(first)
	}
	return first.Add(sum / time.Duration(len(g.of)))
}

// instrument is what alone read the group, with its calibration and that one's
// standard uncertainty.
func (g group) instrument(e recommend.FeatureEstimate) (string, float64) {
	name := ""
	for i, r := range g.of {
		if r.InstrumentID == nil || r.CalibratedOn == nil || r.Kind != reading.Measured {
			return "", 0
		}
		key := r.InstrumentID.String() + r.CalibratedOn.Format(time.DateOnly)
		if i > 0 && key != name {
			return "", 0
		}
		name = key
	}
	u := math.Inf(1)
	for _, b := range e.Budgets {
		for _, line := range b.Lines {
			if line.Source == calibration {
				u = math.Min(u, line.U)
			}
		}
	}
	if math.IsInf(u, 1) {
		return "", 0
	}
	return name, u
}

// Lines of a reading's budget that stay the same from sitting to sitting: one
// always of a method, the other of an instrument with one calibration.
const (
	methodBias  = "method_bias"
	calibration = "calibration"
)

// way is where, how and with what the group was measured; empty where it was
// not measured but gauged, since what a gauge leaves open is no error that stays.
func (g group) way() string {
	var out []string
	for _, r := range g.of {
		if r.Kind != reading.Measured || r.Method == nil {
			return ""
		}
		at := *r.Method
		if r.Station != nil {
			at += " " + *r.Station
		}
		if r.DirectionDegrees != nil {
			at += fmt.Sprint(" ", *r.DirectionDegrees)
		}
		out = append(out, at)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// differing is the standard uncertainty of the group's mean by the lines of its
// budgets that differ from sitting to sitting: what is a reading's own averages
// out, what the sitting shares does not.
func (g group) differing(e recommend.FeatureEstimate, sameCalibration bool) float64 {
	own, shared := 0.0, 0.0
	for _, b := range e.Budgets {
		common := 0.0
		for _, line := range b.Lines {
			switch {
			case line.Source == methodBias || sameCalibration && line.Source == calibration:
			case line.Shared:
				common += line.U * line.U
			default:
				own += line.U * line.U
			}
		}
		shared = math.Max(shared, common)
	}
	n := float64(max(1, len(e.Budgets)))
	return math.Sqrt(own/(n*n) + shared)
}

// pins are the sizes of the pin by sitting, and the standard one.
type pins struct {
	read     []Sitting // At, Repairs and Pin only
	standard *Size     // nil: not known
}

// at is the pin of a sitting; how says when it was read.
func (p pins) at(t time.Time, repairs int) (size Size, on *time.Time, known bool) {
	best := -1
	for i, s := range p.read {
		if s.Repairs != repairs {
			continue
		}
		// The latest up to the sitting's day, else the first after it.
		if best < 0 || !day(s.At).After(day(t)) {
			best = i
		}
	}
	if best >= 0 {
		d := day(p.read[best].At)
		return p.read[best].Pin, &d, true
	}
	if repairs == 0 && p.standard != nil {
		return *p.standard, nil, true
	}
	return Size{}, nil, false
}

// pinsOf estimates the pin at each sitting at which it was read.
func (b *bench) pinsOf(joint recommend.JointRow, pin *recommend.FeatureRow, repaired []time.Time) (pins, error) {
	var out pins
	if steps := b.snapshot.Steps.Items; len(steps) > 0 {
		low, high := length.Length(steps[0].PinNm+steps[0].ToleranceLowerNm).Micrometres(), length.Length(steps[0].PinNm+steps[0].ToleranceUpperNm).Micrometres()
		out.standard = &Size{(low + high) / 2, (high - low) / math.Sqrt(12)}
	} else if pin != nil && pin.NominalNm != nil {
		out.standard = &Size{Value: length.Length(*pin.NominalNm).Micrometres()}
	}
	if pin == nil {
		return out, nil
	}
	groups := grouped(b.snapshot.Readings.Items, pin.ID, repaired)
	for _, g := range groups[max(0, len(groups)-mostSittings):] {
		size, _, err := b.estimate(joint, *pin, g.of)
		if err != nil {
			return out, err
		}
		out.read = append(out.read, Sitting{At: g.middle(), Repairs: g.repairs, Pin: size})
	}
	return out, nil
}

// sittings estimates the clearance at each sitting of the bore.
func (b *bench) sittings(joint recommend.JointRow, bore recommend.FeatureRow, pin *recommend.FeatureRow, repaired []time.Time) ([]Sitting, error) {
	of, err := b.pinsOf(joint, pin, repaired)
	if err != nil {
		return nil, err
	}
	groups := grouped(b.snapshot.Readings.Items, bore.ID, repaired)
	if n := len(groups) - mostSittings; n > 0 {
		groups = groups[n:]
		b.warnings.add("old_sittings_left_out", map[string]any{"sittings": n}, "The oldest %d sittings were left out: an answer takes the newest %d.", n, mostSittings)
	}
	var out []Sitting
	for _, g := range groups {
		size, e, err := b.estimate(joint, bore, g.of)
		if err != nil {
			return nil, err
		}
		s := Sitting{At: g.middle(), Repairs: g.repairs, Bore: size, Readings: e.Readings}
		s.instrument, s.calibrated = g.instrument(e)
		s.way, s.reading = g.way(), g.differing(e, s.instrument != "")
		known := false
		if s.Pin, s.PinOn, known = of.at(s.At, g.repairs); !known {
			s.Why = "Nothing tells the pin's size at that time: read the pin, or give the joint a pin series."
			if g.repairs > 0 {
				s.Why = "The pin was not read after the repair, and may be another one; read it."
			}
		} else {
			s.Clearance = Size{s.Bore.Value - s.Pin.Value, math.Hypot(s.Bore.U, s.Pin.U)}
			if s.PinOn == nil {
				b.assumed.add("assumed_standard_pin", nil, "Where the pin was not read it was taken as the standard one: as new, %s.", length.FromMicrometres(s.Pin.Value).Text(b.unit))
			}
		}
		out = append(out, s)
	}
	return out, nil
}
