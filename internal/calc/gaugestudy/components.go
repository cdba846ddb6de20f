package gaugestudy

import (
	"math"

	"pinwright/internal/calc/uncertainty"
)

// Component is one source of variation.
type Component struct {
	Variance float64 // µm², never negative
	SD       float64 // µm, its root
	// Below says that the estimate came out at Estimate, below zero, and was set to zero.
	Below    bool
	Estimate float64
	// Contribution is the share of the total variance and StudyPercent that of the
	// total standard deviation, both times 100; nil when nothing varies at all.
	Contribution, StudyPercent *float64
	TolerancePercent           *float64 // nil without a tolerance
	// Interval bounds SD; nil where no sound method is at hand. It may leave out an SD
	// that was summed from parts set to zero.
	Interval *Interval
	DoF      float64 // effective degrees of freedom, 0 when Variance is 0
}

// Model is a study analysed with the interaction apart or pooled.
type Model struct {
	Table         Table
	Repeatability Component // EV
	// People is AV alone, Interaction INT, and Reproducibility both together: how much
	// people differ on one part. Nil with one person; Interaction also when pooled or
	// with one part.
	People, Interaction, Reproducibility *Component
	Gauge                                Component  // GRR
	Parts                                *Component // PV; nil with one part
	Total                                Component  // TV
	// Categories is √2·PV/GRR; nil when either cannot be told or GRR is 0.
	Categories *float64
}

// DistinctCategories is Categories cut to a whole number, at least 1.
func (m Model) DistinctCategories() (int, bool) {
	if m.Categories == nil {
		return 0, false
	}
	// Cut just below a whole number that rounding missed.
	return int(math.Min(1e9, math.Max(1, math.Floor(*m.Categories*(1+1e-12))))), true
}

// model turns a table into components.
func (s Study) model(t Table, pooled bool) Model {
	o, p, r := float64(len(s.Readings)), float64(len(s.Readings[0])), float64(len(s.Readings[0][0]))
	m := Model{Table: t}
	m.Repeatability = s.component(combination{{1, t.Repeatability}})
	between := t.Repeatability // what people and parts are held against
	if t.Interaction.DoF > 0 {
		between = t.Interaction
		c := s.component(combination{{1 / r, t.Interaction}, {-1 / r, t.Repeatability}})
		m.Interaction = &c
	}
	gauge := combination{{1, t.Repeatability}}
	variance := m.Repeatability.Variance
	if t.People.DoF > 0 {
		c := s.component(combination{{1 / (p * r), t.People}, {-1 / (p * r), between}})
		m.People = &c
		differing := combination{{1 / (p * r), t.People}, {-1 / (p * r), between}}
		gauge = combination{{1 / (p * r), t.People}, {1 - 1/(p*r), t.Repeatability}}
		people := c.Variance
		if m.Interaction != nil {
			people += m.Interaction.Variance
			differing = combination{{1 / (p * r), t.People}, {(p - 1) / (p * r), t.Interaction}, {-1 / r, t.Repeatability}}
			gauge = combination{{1 / (p * r), t.People}, {(p - 1) / (p * r), t.Interaction}, {1 - 1/r, t.Repeatability}}
		}
		both := s.summed(people, differing)
		m.Reproducibility = &both
		variance += people
	}
	m.Gauge = s.summed(variance, gauge)
	total := m.Gauge.Variance
	if t.Parts.DoF > 0 {
		c := s.component(combination{{1 / (o * r), t.Parts}, {-1 / (o * r), between}})
		m.Parts = &c
		total += c.Variance
	}
	m.Total = Component{Variance: total, SD: math.Sqrt(total)}
	m.percentages(s)
	return m
}

// component is a variance that a combination estimates.
func (s Study) component(c combination) Component {
	v := c.value()
	out := s.summed(math.Max(0, v), c)
	if v < 0 {
		out.Below, out.Estimate = true, v
	}
	return out
}

// summed is a variance put together from components, whose interval is that of a combination.
func (s Study) summed(variance float64, c combination) Component {
	interval := c.interval(s.Confidence)
	return Component{Variance: variance, SD: math.Sqrt(variance), Interval: &interval, DoF: c.dof()}
}

func (m *Model) percentages(s Study) {
	for _, c := range []*Component{&m.Repeatability, m.People, m.Interaction, m.Reproducibility, &m.Gauge, m.Parts, &m.Total} {
		if c == nil {
			continue
		}
		// Without parts or with nothing varying there is no total to be a share of.
		if m.Parts != nil && m.Total.Variance > 0 {
			share, study := 100*c.Variance/m.Total.Variance, 100*c.SD/m.Total.SD
			c.Contribution, c.StudyPercent = &share, &study
		}
		if s.Tolerance > 0 {
			of := 100 * Spread * c.SD / s.Tolerance
			c.TolerancePercent = &of
		}
	}
	if m.Parts != nil && m.Gauge.SD > 0 {
		categories := math.Sqrt2 * m.Parts.SD / m.Gauge.SD
		m.Categories = &categories
	}
}

// Instrument is what the study says to an uncertainty budget: repeatability,
// freed of form error where that is known, and reproducibility with the interaction. One
// person leaves the reproducibility 0, which Notes say.
func (r Result) Instrument() uncertainty.Study {
	m := r.Counting()
	out := uncertainty.Study{Repeatability: m.Repeatability.SD, RepeatabilityDoF: m.Table.Repeatability.DoF}
	if r.Form.Removed != nil {
		out.Repeatability = *r.Form.Removed
	}
	if m.Reproducibility != nil && m.Reproducibility.SD > 0 {
		out.Reproducibility, out.ReproducibilityDoF = m.Reproducibility.SD, math.Max(1, m.Reproducibility.DoF)
	}
	return out
}
