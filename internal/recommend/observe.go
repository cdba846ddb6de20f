package recommend

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/reading"
)

// Remark is a sentence for people with its code and values.
type Remark = reading.Remark

// Budget is the uncertainty of one reading, in micrometres.
type Budget struct {
	ReadingID uuid.UUID
	Size      length.Length // at 20 °C, as it was estimated with
	U         float64
	Lines     []BudgetLine
}

// BudgetLine is one source of doubt.
type BudgetLine struct {
	Source string
	U      float64
	Shared bool
}

// AssumedApart and ApartText say that wornsize.FoldShared folded something.
const (
	AssumedApart = "assumed_instruments_apart"
	ApartText    = "Where many instruments were used, the errors of the lesser ones were taken into their readings, which keeps the size as uncertain as it is but tells less of the form. Give each reading its station to have more kept."
)

// observation is the readings of a set, made ready for the engine.
type observation struct {
	set      wornsize.Set
	features []FeatureRow // set.Features[i] is features[i]
	nominal  length.Length
	used     []uuid.UUID
	budgets  []Budget
	assumed  remarks
	warnings remarks
	surface  []string             // by feature: the surface last seen
	readings [][]uuid.UUID        // by feature: the ids of its readings
	priors   []PriorUsed          // by feature
	with     map[uuid.UUID]string // by reading: what it was measured with
}

// remarks collects each remark once, by its code and text.
type remarks struct{ list []Remark }

func (r *remarks) add(code string, params map[string]any, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if slices.ContainsFunc(r.list, func(x Remark) bool { return x.Code == code && x.Text == text }) {
		return
	}
	r.list = append(r.list, Remark{Code: code, Params: params, Text: text})
}

func (r *remarks) addAll(list []uncertainty.Remark) {
	for _, x := range list {
		params := map[string]any{}
		for _, p := range x.Params {
			params[p.Name] = p.Value
		}
		r.add(x.Code, params, "%s", x.Text)
	}
}

// FormMeans overrides the expected means of form error, in micrometres; nil
// leaves the template's, else the default.
type FormMeans struct{ BellMouth, Ovality, Surface *float64 }

// observe turns the rows of a snapshot into the engine's set. Lengths are
// counted from nominal. Doubtful readings stay out; of a reamed feature only
// what was read since belongs to the size it has now.
func observe(joints []JointRow, features []FeatureRow, readings []reading.Observation, nominal, tallest length.Length, means FormMeans, learned priors) (*observation, error) {
	o := &observation{nominal: nominal, with: map[uuid.UUID]string{}}
	commons := map[string]int{}
	for _, f := range features {
		j := joints[slices.IndexFunc(joints, func(j JointRow) bool { return j.ID == f.JointID })]
		own := o.standing(f, readings)
		state := stateOf(own)
		form := o.form(j, f, &state, means, learned)
		var ids []uuid.UUID
		feature := wornsize.Feature{Shape: shapeOf(f), Form: form, Prior: o.prior(f, own, tallest, learned.of(j, f))}
		if f.Shape == "bore" {
			feature.Guidance, feature.Misalignment = o.guided(j)
		}
		for _, r := range own {
			reading, common, key, err := o.reading(f, r)
			if err != nil {
				return nil, fmt.Errorf("reading %s: %w", r.ID, err)
			}
			if common != (wornsize.Common{}) {
				at, ok := commons[key]
				if !ok {
					at = len(o.set.Commons)
					commons[key] = at
					o.set.Commons = append(o.set.Commons, common)
				}
				// One instrument in one sitting has one error; where its budgets differ (the
				// temperature did) the larger stands for all.
				o.set.Commons[at].U = math.Max(o.set.Commons[at].U, common.U)
				reading.Common = at
			}
			o.asFound(f, state, r, &reading)
			if r.Method != nil {
				o.with[r.ID] = *r.Method
			}
			feature.Readings = append(feature.Readings, reading)
			o.used, ids = append(o.used, r.ID), append(ids, r.ID)
		}
		feature.Form.Burr = state.lip(own)
		o.set.Features = append(o.set.Features, feature)
		o.features = append(o.features, f)
		o.surface = append(o.surface, state.surface)
		o.readings = append(o.readings, ids)
	}
	var folded bool
	if o.set, folded = wornsize.FoldShared(o.set); folded {
		o.assumed.add(AssumedApart, nil, "%s", ApartText)
	}
	o.set = wornsize.FoldBiases(o.set)
	slices.SortFunc(o.used, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	return o, nil
}

func shapeOf(f FeatureRow) wornsize.Shape {
	if f.Shape == "pin" {
		return wornsize.Pin
	}
	return wornsize.Bore
}

// standing are the readings of f that speak of the size it has now: since it
// was reamed, when it was.
func (o *observation) standing(f FeatureRow, readings []reading.Observation) []reading.Observation {
	var own []reading.Observation
	var since time.Time
	for _, r := range readings {
		if r.FeatureID != f.ID {
			continue
		}
		if r.Doubtful != nil {
			o.warnings.add("doubtful_reading_left_out", map[string]any{"reading": r.ID.String(), "doubt": *r.Doubtful},
				"A reading of %s is doubtful and was left out. GET it for the question, and replace it: with the right size, or with the same to confirm it.", f.Code)
			continue
		}
		if r.Stage == "reamed" && since.IsZero() {
			since = r.TakenAt
		}
		own = append(own, r)
	}
	if since.IsZero() {
		return own
	}
	return slices.DeleteFunc(own, func(r reading.Observation) bool {
		return r.TakenAt.Before(since) || r.Stage == "as_found" || r.Stage == "cleaned"
	})
}

// roomBeyond widens the prior where a reading lies outside it.
const roomBeyond = 150.0

// prior is where the base size may lie before any reading. A pin's base is the
// size it was made to, some step of its ladder up to tallest.
func (o *observation) prior(f FeatureRow, own []reading.Observation, tallest length.Length, learned *FormPrior) wornsize.Prior {
	base := o.nominal
	if f.NominalNm != nil {
		base = length.Length(*f.NominalNm)
	}
	p, notes := wornsize.DefaultPrior(shapeOf(f), base.Micrometres())
	if f.Shape == "pin" {
		made := p.High
		p.Low, p.High = -made, math.Max(0, (tallest-base).Micrometres())+made
		o.assumed.add("assumed_pin_of_the_series", map[string]any{"feature": f.Code}, "Before any reading the pin was taken to have been made to a size of its series, none likelier than another.")
	} else {
		o.assumed.addAll(notes)
	}
	room := roomBeyond
	if learned != nil && learned.Features > 0 && f.Shape == "bore" {
		p = wornsize.Prior{Low: learned.BaseLowUm, High: learned.BaseHighUm, Shoulder: learned.BaseShoulderUm}
		room = -3 * p.Shoulder // only what lies far outside shows that history does not hold here
	}
	offset := (base - o.nominal).Micrometres()
	p.Low, p.High = p.Low+offset, p.High+offset
	low, high := p.Low, p.High
	for _, r := range own {
		at := (r.Size - o.nominal).Micrometres()
		if at-room < low {
			p.Low = math.Min(p.Low, at-roomBeyond)
		}
		if at+room > high {
			p.High = math.Max(p.High, at+roomBeyond)
		}
	}
	return p
}

var stations = map[string]wornsize.Station{"mouth_a": wornsize.MouthA, "middle": wornsize.Middle, "mouth_b": wornsize.MouthB}

var gaugeKinds = map[string]wornsize.Kind{"go": wornsize.Go, "no_go": wornsize.NoGo, "starts": wornsize.Starts}

// reading makes one reading ready: its doubt split into what it shares with
// others of its instrument and sitting (key), and what is its own.
func (o *observation) reading(f FeatureRow, r reading.Observation) (wornsize.Reading, wornsize.Common, string, error) {
	out := wornsize.Reading{Common: -1, Direction: math.NaN()}
	if r.Station != nil {
		out.Station = stations[*r.Station]
	}
	if r.DirectionDegrees != nil {
		out.Direction = *r.DirectionDegrees
	}
	thermal := uncertainty.Thermal{}
	if r.TemperatureCelsius != nil {
		// A stated temperature is that of a workpiece felt or read off the wall:
		// known to about a degree (common practice, no published source).
		thermal.Temperature = &uncertainty.Estimate{Value: *r.TemperatureCelsius, U: 1, DoF: 8}
	}
	calibration := calibrationOf(r)
	if r.Kind != "measured" {
		return o.gauged(f, r, out, thermal, calibration)
	}
	if r.Method == nil {
		return out, wornsize.Common{}, "", fmt.Errorf("it names no method and no instrument; void it and post it with one")
	}
	instrument := uncertainty.Instrument{Calibration: calibration, Study: studyOf(r)}
	if r.Resolution != nil {
		instrument.Resolution = r.Resolution.Micrometres()
	}
	shape := uncertainty.Bore
	if f.Shape == "pin" {
		shape = uncertainty.Pin
	}
	m, err := uncertainty.Measure(uncertainty.Reading{Read: r.Size, Shape: shape, Method: uncertainty.Method(*r.Method), Instrument: instrument, Thermal: thermal})
	if err != nil {
		return out, wornsize.Common{}, "", err
	}
	o.assumed.addAll(m.Assumed)
	o.warnings.addAll(m.Warnings)
	b := Budget{ReadingID: r.ID, Size: m.At20, U: m.Budget.U}
	for _, line := range m.Budget.Lines {
		b.Lines = append(b.Lines, BudgetLine{Source: line.Name, U: line.Contribution, Shared: line.Part == uncertainty.Shared})
	}
	o.budgets = append(o.budgets, b)
	out.Value = (m.At20 - o.nominal).Micrometres()
	out.U, out.BiasLow, out.BiasHigh = m.Independent, m.BiasLow, m.BiasHigh
	return out, wornsize.Common{U: m.Shared}, sitting(r, *r.Method), nil
}

func (o *observation) gauged(f FeatureRow, r reading.Observation, out wornsize.Reading, thermal uncertainty.Thermal, calibration *uncertainty.Calibration) (wornsize.Reading, wornsize.Common, string, error) {
	g := uncertainty.Gauge{Marked: r.Size, Thermal: thermal, Calibration: calibration}
	if r.FeelUm != nil {
		g.Feel = *r.FeelUm
	}
	if r.GaugeClass != nil {
		g.Class = uncertainty.GaugeClass(*r.GaugeClass)
	}
	if r.GaugeSense != nil {
		g.Side = uncertainty.Side(*r.GaugeSense)
	}
	size, err := uncertainty.SizeOfGauge(g)
	if err != nil {
		return out, wornsize.Common{}, "", err
	}
	o.assumed.addAll(size.Assumed)
	o.warnings.addAll(size.Warnings)
	out.Kind = gaugeKinds[r.Kind]
	out.Value = (size.Middle - o.nominal).Micrometres()
	out.U = size.Feel
	common := wornsize.Common{U: size.Shared}
	if size.HalfWidth > 0 {
		// The class bounds the size as a rectangle; temperature is the lesser part and
		// goes with the feel.
		common = wornsize.Common{HalfWidth: size.HalfWidth}
		out.U = math.Hypot(size.Feel, size.Temperature)
	}
	if r.EndTried != nil {
		out.Station = map[string]wornsize.Station{"a": wornsize.MouthA, "b": wornsize.MouthB}[*r.EndTried]
	}
	out.PartLength = r.PartLength != nil && *r.PartLength
	out.Burred = r.Deburred != nil && !*r.Deburred
	lines := []BudgetLine{{Source: "size of the gauge", U: math.Sqrt(math.Max(0, size.Shared*size.Shared-size.Drift*size.Drift)), Shared: true}, {Source: "feel", U: size.Feel}}
	if size.Drift > 0 {
		lines = append(lines, BudgetLine{Source: "drift", U: size.Drift, Shared: true})
	}
	o.budgets = append(o.budgets, Budget{ReadingID: r.ID, Size: size.Middle, U: math.Hypot(size.Feel, size.Shared), Lines: lines})
	return out, common, sitting(r, fmt.Sprintf("gauge %d", r.Size)), nil
}

func calibrationOf(r reading.Observation) *uncertainty.Calibration {
	if r.Expanded == nil {
		return nil
	}
	c := &uncertainty.Calibration{Expanded: r.Expanded.Micrometres(), Lapsed: r.DueOn.Before(r.TakenAt.Truncate(24 * time.Hour))}
	if r.CoverageFactor != nil {
		c.K = *r.CoverageFactor
	}
	if r.Deviation != nil {
		c.Correction = -r.Deviation.Micrometres()
	}
	wander(c, r)
	return c
}

// sitting is what a reading shares its error with: a named instrument keeps its
// calibration over sittings; of an unnamed one only the same person on the same
// day is known to have used the same.
func sitting(r reading.Observation, what string) string {
	if r.InstrumentID != nil {
		return r.InstrumentID.String()
	}
	return what + " " + r.MemberID.String() + " " + r.TakenAt.UTC().Format(time.DateOnly)
}
