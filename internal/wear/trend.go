package wear

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/trend"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
	"pinwright/internal/recommend"
	"pinwright/internal/vehicle"
)

// Over is what a trend runs over.
type Over string

// The axes.
const (
	Time  Over = "time"
	Going Over = "distance"
)

// mostEvents is how many of the newest events of a joint a trend uses.
const mostEvents = 200

// Question is what is asked of a joint.
type Question struct {
	Over     Over
	Feature  *postgres.Ref  // the bore; nil: the usual one
	Limit    *length.Length // nil: the greatest clearance of the joint's target
	SameRate bool           // after a repair the joint wears as before
	Scale    trend.Scale    // empty: widened
	Unit     length.Unit    // in which sentences give lengths
	Now      time.Time
}

// Trend is how the clearance of a joint went, in micrometres over days from
// Origin or over Unit.
type Trend struct {
	Joint       recommend.JointRow
	Bore        recommend.FeatureRow
	Over        Over
	Origin      time.Time // over time: the day that is x = 0
	Unit        string    // over distance: km or mi
	Sittings    []Sitting
	Events      []Event // all that stand, in their order
	LimitSource string  // asked, target or assumed
	Answer      trend.Answer
	Assumed     []reading.Remark
	Warnings    []reading.Remark
}

// Known is what a trend is made from; filled when the batch was sent.
type Known struct {
	snapshot  *recommend.Snapshot
	events    *postgres.Rows[Event]
	distances *postgres.Rows[Distance]
}

// Queue gathers what is known of the joint that the name means.
func Queue(b *postgres.Batch, joint postgres.Ref) *Known {
	return &Known{recommend.QueueJoint(b, joint), standing(b, joint, mostEvents), standingDistances(b, joint)}
}

// Size is how much there is to work out.
func (k *Known) Size() (features, readings int) {
	return len(k.snapshot.Features.Items), len(k.snapshot.Readings.Items)
}

// Of makes the trend of joint, which is the one that the name meant.
func (k *Known) Of(joint uuid.UUID, q Question) (Trend, error) {
	at := slices.IndexFunc(k.snapshot.Joints.Items, func(j recommend.JointRow) bool { return j.ID == joint })
	if at < 0 {
		return Trend{}, problem.Absent()
	}
	t := Trend{Joint: k.snapshot.Joints.Items[at], Over: q.Over, Events: k.events.Items, Unit: Kilometre}
	bore, pin, err := k.features(joint, q.Feature)
	if err != nil {
		return Trend{}, err
	}
	t.Bore = bore
	var own []reading.Observation
	for _, r := range k.snapshot.Readings.Items {
		if r.FeatureID == bore.ID && r.Doubtful == nil {
			own = append(own, r)
		}
	}
	repaired := repairs(t.Events, own)
	b := &bench{snapshot: k.snapshot, unit: q.Unit}
	if t.Sittings, err = b.sittings(t.Joint, bore, pin, repaired); err != nil {
		return Trend{}, err
	}
	axis, now := t.axis(k.distances.Items, q.Now, b)
	ask := trend.Question{Scale: q.Scale, Now: now}
	t.points(&ask, axis, b)
	t.breaks(&ask, axis, repaired, q.SameRate, b)
	if ask.Limit, t.LimitSource, err = k.limit(t.Joint, bore, q, b); err != nil {
		return Trend{}, err
	}
	if t.Answer, err = trend.Solve(ask); err != nil {
		return Trend{}, fmt.Errorf("trend: %w", err)
	}
	b.notes(t)
	t.Assumed, t.Warnings = b.assumed.list, b.warnings.list
	return t, nil
}

// features are the bore that is meant and the joint's pin.
func (k *Known) features(joint uuid.UUID, ref *postgres.Ref) (bore recommend.FeatureRow, pin *recommend.FeatureRow, err error) {
	best := -1
	rank := func(f recommend.FeatureRow) int { // the usual one, else the first running one, else any
		switch {
		case f.Usual:
			return 2
		case f.Duty == "running":
			return 1
		}
		return 0
	}
	list := k.snapshot.Features.Items
	for i, f := range list {
		switch {
		case f.JointID != joint:
		case f.Shape == "pin":
			if pin == nil {
				pin = &list[i]
			}
		case ref != nil:
			if ref.ID != nil && f.ID == *ref.ID || f.Code == ref.Name {
				best = i
			}
		case best < 0 || rank(f) > rank(list[best]):
			best = i
		}
	}
	if best < 0 {
		detail := "this joint has no bore, so it has no clearance"
		if ref != nil {
			detail = "there is no such bore in this joint; GET the joint for its features"
		}
		return bore, nil, problem.Invalid(problem.Fault{Pointer: "?feature", Detail: detail})
	}
	return list[best], pin, nil
}

// axis is where a moment lies, and where now does; false where it is not known.
func (t *Trend) axis(distances []Distance, now time.Time, b *bench) (func(time.Time) (float64, bool), *float64) {
	if t.Over == Time {
		t.Origin = day(now)
		if len(t.Sittings) > 0 {
			t.Origin = day(t.Sittings[0].At)
		}
		days := func(at time.Time) (float64, bool) { return at.Sub(t.Origin).Hours() / 24, true }
		x, _ := days(now)
		return days, &x
	}
	gone := travelled(distances)
	t.Unit = gone.unit
	if gone.broken {
		b.warnings.add("odometer_gap", nil, "Before %s the odometer cannot be joined with what it shows since: it was replaced and nobody noted what it showed last. What was read earlier is left out.", gone.at[0].UTC().Format(time.DateOnly))
	}
	if gone.fell {
		b.warnings.add("odometer_fell", nil, "An odometer shows less than before, and nobody said that it was replaced. Void the wrong number, or post it anew with replaced.")
	}
	if n := len(gone.km); n > 0 {
		x := gone.in(gone.km[n-1])
		return gone.where, &x
	}
	return gone.where, nil
}

// points gives each sitting its place, and takes what all share out of each.
func (t *Trend) points(ask *trend.Question, axis func(time.Time) (float64, bool), b *bench) {
	var used []*Sitting
	for i := range t.Sittings {
		s := &t.Sittings[i]
		if s.Why != "" {
			continue
		}
		x, known := axis(s.At)
		if !known {
			s.Why = "How far the vehicle had gone then is not known: there is no reading of its odometer within a week, or before and after."
			continue
		}
		s.X = x
		used = append(used, s)
	}
	if len(used) == 0 {
		return
	}
	pin, bore := sharedPin(used), sharedBore(used, b)
	ask.SharedU = math.Sqrt(pin + bore)
	for _, s := range used {
		// Never below what a reading itself leaves open, nor a tenth of all: the parts
		// are worked out apart and may not add up.
		u := s.Bore.U * s.Bore.U
		own := math.Max(u-bore, math.Max(u/100, math.Min(u, s.reading*s.reading)))
		if pin == 0 {
			own += s.Pin.U * s.Pin.U
		}
		ask.Points = append(ask.Points, trend.Point{X: s.X, Y: s.Clearance.Value, U: math.Sqrt(own)})
	}
}

// sharedPin is the variance of the one pin that stands for all sittings; 0 for
// several.
func sharedPin(used []*Sitting) float64 {
	first := used[0]
	for _, s := range used {
		if s.Pin != first.Pin || (s.PinOn == nil) != (first.PinOn == nil) || s.PinOn != nil && !s.PinOn.Equal(*first.PinOn) {
			return 0
		}
	}
	return first.Pin.U * first.Pin.U
}

// sharedBore is the variance of the bore that all sittings share: see the
// package comment.
func sharedBore(used []*Sitting, b *bench) float64 {
	first := used[0]
	oneWay, oneInstrument := first.way != "", first.instrument != ""
	for _, s := range used {
		oneWay = oneWay && s.way == first.way
		oneInstrument = oneInstrument && s.instrument == first.instrument
	}
	form, calibrated := math.Inf(1), math.Inf(1)
	for _, s := range used {
		if !oneInstrument { // then calibrations differ from sitting to sitting
			s.reading = math.Hypot(s.reading, s.calibrated)
		}
		form = math.Min(form, math.Max(0, s.Bore.U*s.Bore.U-s.reading*s.reading))
		calibrated = math.Min(calibrated, s.calibrated)
	}
	switch {
	case oneWay:
		b.assumed.add("form_shared", nil, "All sittings were read in the same way (%s), so what form error leaves open was taken as the same at each: it moves the line, not its rate. Mark the places and directions that are read.", first.way)
		return form
	case oneInstrument:
		b.assumed.add("form_at_each_sitting", nil, "The sittings were not read in the same way, so form error was estimated anew at each: the doubt of the rate is rather too large. Read the same places each time.")
		return calibrated * calibrated
	}
	b.assumed.add("form_at_each_sitting", nil, "The sittings were not read in the same way, nor with one instrument, so their errors were taken as independent: the doubt of the rate is rather too large. Read the same places each time.")
	return 0
}

// breaks starts segments at repairs and lubrications.
func (t *Trend) breaks(ask *trend.Question, axis func(time.Time) (float64, bool), repaired []time.Time, sameRate bool, b *bench) {
	add := func(at time.Time, c trend.Change) {
		if x, known := axis(at); known {
			ask.Breaks = append(ask.Breaks, trend.Break{X: x, Change: c})
		} else {
			b.warnings.add("event_without_distance", nil, "How far the vehicle had gone on %s is not known, so what was done to the joint then starts no segment.", at.UTC().Format(time.DateOnly))
		}
	}
	change := trend.RepairNewRate
	if sameRate {
		change = trend.Repair
	}
	for _, at := range repaired {
		add(at, change)
	}
	for _, e := range t.Events {
		if e.Kind == Lubricated {
			add(e.OccurredAt, trend.Lubrication)
		}
	}
	slices.SortStableFunc(ask.Breaks, func(a, b trend.Break) int { return int(math.Copysign(1, a.X-b.X)) })
	if n := len(ask.Breaks) - trend.MostBreaks; n > 0 {
		ask.Breaks = ask.Breaks[n:]
		b.warnings.add("old_events_left_out", map[string]any{"events": n}, "The oldest %d lubrications and repairs were left out.", n)
	}
}

// limit is the clearance to look out for.
func (k *Known) limit(j recommend.JointRow, bore recommend.FeatureRow, q Question, b *bench) (*float64, string, error) {
	um := func(l length.Length) *float64 { v := l.Micrometres(); return &v }
	if q.Limit != nil {
		return um(*q.Limit), "asked", nil
	}
	target := vehicle.Target{MinNM: j.ClearanceMinNm, MaxNM: j.ClearanceMaxNm, Thousandth: j.Thousandth}
	if j.Fit != nil {
		target.Fit = *j.Fit
	}
	source := "target"
	if target.IsZero() {
		target.Thousandth, source = true, "assumed"
		b.assumed.add("assumed_target", nil, "The clearance wanted was taken as about one thousandth of an inch (common practice, no published source).")
	}
	nominal := bore.NominalNm
	if len(k.snapshot.Steps.Items) > 0 {
		nominal = &k.snapshot.Steps.Items[0].PinNm
	}
	wanted, err := target.Resolve(nominal)
	if err != nil {
		return nil, "", problem.Invalid(problem.Fault{Pointer: "?limit", Detail: "give the limit: the joint's target needs a nominal size that is not known (" + err.Error() + ")"})
	}
	return um(wanted.Max), source, nil
}

// notes says what the numbers rest on.
func (b *bench) notes(t Trend) {
	left := 0
	for _, s := range t.Sittings {
		if s.Why != "" {
			left++
		}
	}
	if left > 0 {
		b.warnings.add("sittings_left_out", map[string]any{"sittings": left}, "%d of %d sittings could not be used; each says why.", left, len(t.Sittings))
	}
	if t.Joint.SafetyCritical {
		b.warnings.add("advice_not_approval", nil, "This is advice, not approval: for steering, brake, suspension or seat joints the maker's limits, local codes and a licensed inspection come first. A straight line foresees no crack and no lost grease.")
	}
}
