package recommend

import (
	"time"

	"pinwright/internal/calc/drift"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/reading"
	"pinwright/internal/tool"
)

// wander says what became of the instrument since its newest certificate. Where
// certificates enough tell its drift, what it is likely to show on the day of the reading
// takes the place of what the certificate says; else an instrument with a scale is taken to
// drift as usual. A gauge in its box does not.
func wander(c *uncertainty.Calibration, r reading.Observation) {
	kind := tool.PinGauge
	if r.Method != nil {
		kind = tool.Kind(*r.Method)
	}
	permitted, err := tool.UsualError(kind, &r.Size, r.GaugeClass)
	if err != nil { // a gauge too large for any class: nothing is usual of it
		return
	}
	day := r.TakenAt.UTC().Truncate(24 * time.Hour)
	if len(r.Findings) >= 2 && r.Deviation != nil { // a newest certificate without a deviation breaks the history
		if w, err := tool.Learn(r.Findings, drift.History{Permitted: permitted}); err == nil { // else beyond what the model takes
			deviation, calibrated, since := w.Model.Moments(tool.Years(w.Newest, day))
			c.Correction, c.Drift = -deviation, since
			c.Expanded, c.K = calibrated, 1
			return
		}
	}
	if !kind.IsGauge() {
		c.Drift, c.DriftAssumed = drift.Usual(permitted, tool.Years(*r.CalibratedOn, day)), true
	}
}

// studyOf is the newest study of the instrument, nil when nobody made one.
func studyOf(r reading.Observation) *uncertainty.Study {
	if r.RepeatabilityUm == nil || r.RepeatabilityDof == nil {
		return nil
	}
	s := &uncertainty.Study{Repeatability: *r.RepeatabilityUm, RepeatabilityDoF: *r.RepeatabilityDof, OnePerson: r.ReproducibilityUm == nil}
	if r.ReproducibilityUm != nil && r.ReproducibilityDof != nil {
		s.Reproducibility, s.ReproducibilityDoF = *r.ReproducibilityUm, *r.ReproducibilityDof
	}
	return s
}
