package tool

import (
	"math"
	"slices"
	"time"

	"pinwright/internal/calc/drift"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

// Finding is what one calibration found of a tool's deviation.
type Finding struct {
	On        time.Time     `json:"on"`
	Deviation length.Length `json:"deviation"`
	Expanded  length.Length `json:"expanded"`
	K         float64       `json:"k"`
}

// Findings are those of calibrations, newest first, that state a deviation; they come out
// oldest first, so that of two on one day the later record is the newest.
func Findings(list []Calibration) []Finding {
	var out []Finding
	for _, c := range slices.Backward(list) {
		if c.Deviation != nil {
			out = append(out, Finding{On: c.CalibratedOn, Deviation: *c.Deviation, Expanded: c.Expanded, K: c.CoverageFactor})
		}
	}
	return out
}

// Wander is a tool's drift as its calibrations tell it.
type Wander struct {
	Model  *drift.Model
	Points []drift.Point // years since the first finding of the list
	Newest time.Time     // day of the newest finding
}

// daysInYear is the mean year of the calendar.
const daysInYear = 365.25

// Years counts the whole days between two days in years.
func Years(from, to time.Time) float64 { return math.Round(to.Sub(from).Hours()/24) / daysInYear }

// After is the day that many years after the newest finding, cut to whole days.
func (w Wander) After(years float64) (day time.Time, days int) {
	days = int(years*daysInYear + 1e-9)
	return w.Newest.AddDate(0, 0, days), days
}

// Learn works out the drift from findings, at least one; of two on one day the last counts. h says the rest;
// its points are taken from the findings.
func Learn(findings []Finding, h drift.History) (Wander, error) {
	var w Wander
	for _, f := range findings {
		if f.On.After(w.Newest) {
			w.Newest = f.On
		}
		w.Points = append(w.Points, drift.Point{Time: Years(findings[0].On, f.On), Deviation: f.Deviation.Micrometres(), U: f.Expanded.Micrometres() / f.K})
	}
	h.Points = w.Points
	var err error
	w.Model, err = drift.Learn(h)
	return w, err
}

// UsualError is the error, in micrometres, that a sound tool of the kind keeps though
// nobody calibrates it: the half width that uncertainty.DefaultsOf assumes, of a gauge the
// tolerance of its class, ZZ where none is known.
func UsualError(kind Kind, size *length.Length, class *string) (float64, error) {
	if kind.IsGauge() {
		of := uncertainty.GaugeClass("ZZ")
		if class != nil {
			of = uncertainty.GaugeClass(*class)
		}
		var marked length.Length
		if size != nil {
			marked = *size
		}
		tolerance, err := uncertainty.ClassTolerance(of, marked)
		return tolerance.Micrometres(), err
	}
	shape := uncertainty.Bore
	if kind == Micrometer {
		shape = uncertainty.Pin
	}
	d, err := uncertainty.DefaultsOf(uncertainty.Method(kind), shape)
	return d.Calibration, err
}
