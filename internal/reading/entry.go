package reading

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// Entry is a reading as somebody entered it; texts are empty and pointers nil
// where nothing was given. Its words are those of the contract.
type Entry struct {
	ID      uuid.UUID       // none: one is made of the content
	Pointer string          // where it stands in the request, such as /readings/3; empty for the whole body
	Faults  []problem.Fault // found before; with any, nothing else of it counts

	Vehicle, Joint, Feature string // ids or people's own names
	Instrument              string // tool number or id of what measured
	GaugeTool               string // tool number or id of the gauge, or
	GaugeSize               *length.Quantity
	Value                   *length.Quantity

	Result, Method, Station, End, Stage, Surface string
	Direction, Celsius                           *float64
	PartLength, Deburred                         *bool
	TakenAt                                      *time.Time
}

// ahead is how far the clock of a phone may run ahead before a reading is taken
// for one that has not happened yet.
const ahead = 5 * time.Minute

var (
	gaugeKinds   = []string{"pin_gauge", "plug_gauge"}
	measureKinds = []string{"caliper", "micrometer", "inside_micrometer", "bore_gauge", "telescoping_gauge"}
)

func (e Entry) gauged() bool { return e.GaugeTool != "" || e.GaugeSize != nil }

func (e Entry) fault(field, format string, args ...any) problem.Fault {
	return problem.Fault{Pointer: e.Pointer + field, Detail: fmt.Sprintf(format, args...)}
}

// check returns what is wrong with e that can be told from itself.
func (e Entry) check(now time.Time) []problem.Fault {
	var faults []problem.Fault
	refuse := func(field, format string, args ...any) { faults = append(faults, e.fault(field, format, args...)) }
	if e.Joint == "" && postgres.ParseRef(e.Feature).ID == nil {
		refuse("/joint", "is needed: give the joint's position or id (or, in `feature`, the id of a feature)")
	}
	switch {
	case e.gauged() && e.Value != nil:
		refuse("/gauge", "value and gauge exclude each other; send them as two readings")
	case e.gauged():
		faults = append(faults, e.checkGauged()...)
	case e.Value != nil:
		faults = append(faults, e.checkMeasured()...)
	default:
		refuse("", `gives neither value nor gauge; three fields are enough: {"joint","gauge","result"} or {"joint","value","with"}`)
	}
	if e.TakenAt != nil && e.TakenAt.After(now.Add(ahead)) {
		refuse("/taken_at", "lies in the future (it is %s now); set the clock of the device, or leave it out", now.UTC().Format(time.RFC3339))
	}
	return faults
}

func (e Entry) checkGauged() []problem.Fault {
	var faults []problem.Fault
	refuse := func(field, format string, args ...any) { faults = append(faults, e.fault(field, format, args...)) }
	if e.GaugeSize != nil && e.GaugeSize.Length() <= 0 {
		refuse("/gauge", "must be a size above zero")
	}
	if e.Result == "" {
		refuse("/result", "is needed with a gauge: go when it passes the whole length, starts when it goes in a little, no_go when it does not go in")
	}
	if e.Instrument != "" {
		refuse("/instrument", "belongs to a value; with a gauge, give the gauge's tool number in `gauge` and leave this out")
	}
	if e.Method != "" && !slices.Contains(gaugeKinds, e.Method) {
		refuse("/with", "a gauge is a pin_gauge or a plug_gauge; give one of these or leave it out")
	}
	if e.Station == "middle" {
		refuse("/station", "a gauge is tried from an end; give mouth_a or mouth_b, or leave it out")
	}
	if e.Station == "mouth_a" && e.End == "b" || e.Station == "mouth_b" && e.End == "a" {
		refuse("/end", "contradicts station %s; leave one of them out", e.Station)
	}
	if e.Direction != nil {
		refuse("/direction", "a round gauge has no direction; leave it out")
	}
	return faults
}

func (e Entry) checkMeasured() []problem.Fault {
	var faults []problem.Fault
	refuse := func(field, format string, args ...any) { faults = append(faults, e.fault(field, format, args...)) }
	if e.Value.Length() <= 0 {
		refuse("/value", "must be above zero")
	}
	if e.Result != "" {
		refuse("/result", "belongs to a gauge; leave it out, or give the gauge's size in `gauge` instead of a value")
	}
	switch {
	case slices.Contains(gaugeKinds, e.Method):
		refuse("/with", "a gauge reads no value; give its size in `gauge` and how it behaved in `result`")
	case e.Method == "" && e.Instrument == "":
		refuse("/with", "is needed with a value: say what measured (%s), or give the tool number of the instrument in `instrument`", strings.Join(measureKinds, ", "))
	}
	if e.End != "" {
		refuse("/end", "belongs to a gauge; for a value, give the place in `station`")
	}
	if e.PartLength != nil {
		refuse("/part_length", "belongs to a gauge; leave it out")
	}
	return faults
}

// usable reports why a method cannot be used on a feature of that shape.
func (e Entry) usable(field, method, shape string) []problem.Fault {
	if slices.Contains(gaugeKinds, method) {
		if shape == "pin" {
			return []problem.Fault{e.fault(field, "a gauge is tried in a bore, and this feature is a pin; give a value with micrometer or caliper, or name the bore in `feature`")}
		}
		return nil
	}
	if _, err := uncertainty.DefaultsOf(uncertainty.Method(method), uncertainty.Shape(shape)); err != nil {
		return []problem.Fault{e.fault(field, "%s", strings.TrimPrefix(err.Error(), uncertainty.ErrInput.Error()+": "))}
	}
	return nil
}

// on makes the reading that e stands for, of the feature at p and by the tool t
// (nil without one), or returns its faults.
func (e Entry) on(p place, t *tool.Instrument, actor uuid.UUID, now time.Time) (Reading, []problem.Fault) {
	r := Reading{ID: e.ID, FeatureID: p.FeatureID, Kind: Measured, JointID: p.JointID, FeatureCode: p.Code, Nominal: p.Nominal,
		Station: given(e.Station), DirectionDegrees: e.Direction, Deburred: e.Deburred, TemperatureCelsius: e.Celsius,
		ReceivedAt: stamp(now), MemberID: actor, Assumed: []string{}}
	var faults []problem.Fault
	size := e.Value
	if e.gauged() {
		faults = e.gauge(&r, p, t)
		size = e.GaugeSize
	} else {
		faults = e.measure(&r, p, t)
	}
	if len(faults) > 0 {
		return r, faults
	}
	if size != nil {
		r.Size, r.Entered, r.EnteredUnit = size.Length(), size.Value(), string(size.Unit())
	}
	assume := func(missing bool, code string) {
		if missing {
			r.Assumed = append(r.Assumed, code)
		}
	}
	assume(e.Feature == "", AssumedFeature)
	assume(e.gauged() && e.GaugeTool == "" && e.Method == "", AssumedPinGauge)
	if e.gauged() {
		assume(e.End == "" && *r.EndTried == "both", AssumedBothEnds)
		assume(e.PartLength == nil, AssumedWholeLength)
	} else {
		assume(r.Station == nil, AssumedAnyStation)
		assume(r.DirectionDegrees == nil, AssumedAnyDirection)
	}
	assume(r.Deburred == nil && p.Shape == "bore" && e.Station != "middle", AssumedDeburred)
	r.Stage, r.Surface = orElse(e.Stage, "as_found"), orElse(e.Surface, "unknown")
	assume(e.Stage == "", AssumedStage)
	assume(e.Surface == "", AssumedSurface)
	assume(e.Celsius == nil, AssumedTemperature)
	r.TakenAt = r.ReceivedAt
	if e.TakenAt != nil {
		r.TakenAt = stamp(*e.TakenAt)
	}
	assume(e.TakenAt == nil, AssumedTakenNow)
	r.Doubtful = doubt(r.Size, r.Nominal)
	r.Fingerprint = e.fingerprint(r)
	return r, nil
}

func (e Entry) gauge(r *Reading, p place, t *tool.Instrument) []problem.Fault {
	r.Kind, r.PartLength = e.Result, pointerTo(e.PartLength != nil && *e.PartLength)
	r.EndTried = pointerTo("both")
	switch {
	case e.End != "":
		r.EndTried = pointerTo(e.End)
	case e.Station != "":
		r.EndTried = pointerTo(strings.TrimPrefix(e.Station, "mouth_"))
	}
	r.Method = pointerTo(orElse(e.Method, "pin_gauge"))
	if t != nil {
		switch {
		case !t.Kind.IsGauge():
			return []problem.Fault{e.fault("/gauge", "tool %s is a %s, not a pin_gauge or plug_gauge; give a gauge's tool number, or its size such as \"0.318 in\"", t.Number, t.Kind)}
		case e.Method != "" && e.Method != string(t.Kind):
			return []problem.Fault{e.fault("/with", "tool %s is a %s; leave this out", t.Number, t.Kind)}
		}
		size := t.Entered.Quantity("size") // every gauge has one
		r.InstrumentID, r.Method = &t.ID, pointerTo(string(t.Kind))
		r.Size, r.Entered, r.EnteredUnit = size.Length(), size.Value(), string(size.Unit())
	}
	return e.usable("/gauge", *r.Method, p.Shape)
}

func (e Entry) measure(r *Reading, p place, t *tool.Instrument) []problem.Fault {
	if t == nil {
		r.Method = &e.Method
		return e.usable("/with", e.Method, p.Shape)
	}
	switch {
	case !slices.Contains(measureKinds, string(t.Kind)):
		return []problem.Fault{e.fault("/instrument", "tool %s is a %s, which reads no value; give the number of a %s", t.Number, t.Kind, strings.Join(measureKinds, ", "))}
	case e.Method != "" && e.Method != string(t.Kind):
		return []problem.Fault{e.fault("/with", "tool %s is a %s; leave this out", t.Number, t.Kind)}
	}
	r.InstrumentID, r.Method = &t.ID, pointerTo(string(t.Kind))
	return e.usable("/instrument", *r.Method, p.Shape)
}

// fingerprint is of what was entered, with names resolved and defaults filled
// in. Left out is what is not the sender's word: when it was received, who sent
// it, and what an instrument's model says today.
func (e Entry) fingerprint(r Reading) []byte {
	content := struct {
		Feature              uuid.UUID
		Kind, Stage, Surface string
		Size                 string
		Instrument           *uuid.UUID
		Method, Station, End *string
		Direction, Celsius   *float64
		PartLength, Deburred *bool
		TakenAt              *time.Time
	}{r.FeatureID, r.Kind, r.Stage, r.Surface, r.Entered + " " + r.EnteredUnit, r.InstrumentID, r.Method, r.Station, r.EndTried,
		r.DirectionDegrees, r.TemperatureCelsius, r.PartLength, r.Deburred, nil}
	if e.GaugeTool != "" {
		content.Size = ""
	}
	if r.InstrumentID != nil {
		content.Method = nil
	}
	if e.TakenAt != nil {
		content.TakenAt = &r.TakenAt
	}
	text, err := json.Marshal(content)
	if err != nil {
		panic(fmt.Sprintf("reading: fingerprint: %v", err)) // numbers are finite, since they came as JSON
	}
	sum := sha256.Sum256(text)
	return sum[:]
}

// stamp is a time as the database keeps it, so that an answer shows what every
// later one will.
func stamp(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

func given(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func orElse(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

func pointerTo[T any](v T) *T { return &v }
