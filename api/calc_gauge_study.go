package api

import (
	"fmt"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/gaugestudy"
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// CalcGaugeStudy implements the contract.
func (s *Server) CalcGaugeStudy(c echo.Context, params CalcGaugeStudyParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[GaugeStudyIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		study, origin, err := ask.study()
		if err != nil {
			return answer{}, err
		}
		result, err := gaugestudy.Analyse(study)
		if err != nil { // its cells are equal, and the contract bounds the rest
			return answer{}, problem.Invalid(faultOf("/readings", err))
		}
		out := gaugeStudyOut(result, study, origin, shownIn(ask.Readings[0].Value, params.Units).Unit())
		out.Explanation = explained(params.Explain, func() []derivation.Step { return result.Derivation() })
		return ok(out), nil
	})
}

// crossing puts names into the order in which they first come.
type crossing struct {
	people, parts []string
	cells         map[[2]string][]int // entries of each person and part
}

func cross(n int, names func(i int) (person, part string)) crossing {
	x := crossing{cells: map[[2]string][]int{}}
	for i := range n {
		person, part := names(i)
		if !slices.Contains(x.people, person) {
			x.people = append(x.people, person)
		}
		if !slices.Contains(x.parts, part) {
			x.parts = append(x.parts, part)
		}
		x.cells[[2]string{person, part}] = append(x.cells[[2]string{person, part}], i)
	}
	return x
}

// mostUnequal is how many cells are named before the rest is left to be guessed.
const mostUnequal = 5

// equal finds cells that are missing or have other trials than the most usual
// number, and at least the number.
func (x crossing) equal(pointer string, least int, what string) []problem.Fault {
	counts := map[int]int{}
	usual := 0
	for _, cell := range x.cells {
		counts[len(cell)]++
	}
	for n, times := range counts {
		if times > counts[usual] || times == counts[usual] && n > usual {
			usual = n
		}
	}
	if usual < least {
		return []problem.Fault{{Pointer: pointer, Detail: fmt.Sprintf("hold %d %s of most people on most parts; at least %d are needed, or nothing tells how they repeat", usual, what, least)}}
	}
	var faults []problem.Fault
	for _, person := range x.people {
		for _, part := range x.parts {
			if n := len(x.cells[[2]string{person, part}]); n != usual {
				if len(faults) == mostUnequal {
					return append(faults, problem.Fault{Pointer: pointer, Detail: "differ in more cells; every person needs equally many " + what + " of every part"})
				}
				faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("hold %d %s of person %q on part %q and %d in most cells; every person needs equally many of every part: add what is missing, or leave that person or part out", n, what, person, part, usual)})
			}
		}
	}
	return faults
}

// study arranges the readings, counted from the first one, which is their origin.
func (ask GaugeStudyIn) study() (gaugestudy.Study, length.Length, error) {
	x := cross(len(ask.Readings), func(i int) (string, string) { return ask.Readings[i].Person, ask.Readings[i].Part })
	faults := x.equal("/readings", 2, "readings")
	origin := ask.Readings[0].Value.Length()
	study := gaugestudy.Study{PositionsMarked: or(ask.PositionsMarked, false), PoolAbove: or(ask.PoolAbove, gaugestudy.PoolAbove), Confidence: or(ask.Confidence, gaugestudy.Confidence)}
	for _, person := range x.people {
		var rows [][]float64
		for _, part := range x.parts {
			var cell []float64
			for _, i := range x.cells[[2]string{person, part}] {
				cell = append(cell, (ask.Readings[i].Value.Length() - origin).Micrometres())
			}
			rows = append(rows, cell)
		}
		study.Readings = append(study.Readings, rows)
	}
	if ask.Tolerance != nil {
		if study.Tolerance = ask.Tolerance.Length().Micrometres(); study.Tolerance <= 0 {
			faults = append(faults, problem.Fault{Pointer: "/tolerance", Detail: "must be greater than zero: the width between the limits, or leave it out"})
		}
	}
	if ask.FormError != nil {
		form := ask.FormError.Length().Micrometres()
		if study.FormError = &form; form < 0 {
			faults = append(faults, problem.Fault{Pointer: "/form_error", Detail: "must not be below zero: it is the largest diameter of a part less its smallest"})
		}
		if study.PositionsMarked {
			faults = append(faults, problem.Fault{Pointer: "/form_error", Detail: "does not count where positions are marked; leave it out, or positions_marked"})
		}
	}
	if len(faults) > 0 {
		return gaugestudy.Study{}, 0, problem.Invalid(faults...)
	}
	return study, origin, nil
}

const fromGaugeStudies = "Measurement Systems Analysis, AIAG, 4th ed. 2010, ANOVA method; intervals: R. K. Burdick, C. M. Borror and D. C. Montgomery, Design and Analysis of Gauge R&R Studies, SIAM 2005"

func gaugeStudyOut(r gaugestudy.Result, study gaugestudy.Study, origin length.Length, unit length.Unit) GaugeStudyOut {
	scale := 1000 / float64(unit.Length())
	m := r.Counting()
	fed := r.Instrument()
	out := GaugeStudyOut{Unit: Unit(unit), Mean: micrometresOut(origin.Micrometres()+r.Mean, string(unit)), Parts: r.NParts, People: r.NPeople, Trials: r.NTrials,
		Pooled: r.Pooled, PoolAbove: r.PoolAbove, Confidence: study.Confidence,
		Result: gaugeModelOut(m, scale), WithInteraction: gaugeModelOut(r.Crossed, scale), WithoutInteraction: gaugeModelOut(r.Additive, scale),
		PositionsMarked: r.Form.Marked, FormInflation: scaled(r.Form.Inflation, scale), Repeatability: significant(fed.Repeatability * scale),
		Remarks: textsOut(r.Notes), Source: fromGaugeStudies}
	if m.Reproducibility != nil {
		out.Reproducibility = scaled(&m.Reproducibility.SD, scale)
	}
	var summary strings.Builder
	fmt.Fprintf(&summary, "Repeatability %.3g %s", m.Repeatability.SD*scale, unit)
	if m.Reproducibility != nil {
		fmt.Fprintf(&summary, ", reproducibility %.3g %s, together %.3g %s", m.Reproducibility.SD*scale, unit, m.Gauge.SD*scale, unit)
	}
	if p := m.Gauge.StudyPercent; p != nil {
		fmt.Fprintf(&summary, "; the gauge makes %.3g %% of the study's variation", *p)
	}
	if p := m.Gauge.TolerancePercent; p != nil {
		fmt.Fprintf(&summary, " and %.3g %% of the tolerance", *p)
	}
	if n, known := m.DistinctCategories(); known {
		fmt.Fprintf(&summary, "; it tells %d kinds of part apart", n)
	}
	out.Summary = summary.String() + "."
	return out
}

func scaled(x *float64, scale float64) *float64 {
	if x == nil {
		return nil
	}
	return pointerTo(significant(*x * scale))
}

func gaugeModelOut(m gaugestudy.Model, scale float64) GaugeModel {
	out := GaugeModel{Categories: scaled(m.Categories, 1)}
	if n, known := m.DistinctCategories(); known {
		out.DistinctCategories = &n
	}
	t := m.Table
	for _, row := range []struct {
		name AnovaRowRow
		of   gaugestudy.Row
	}{{"parts", t.Parts}, {"people", t.People}, {"interaction", t.Interaction}, {"repeatability", t.Repeatability}, {"total", t.Total}} {
		if row.of.DoF == 0 {
			continue
		}
		shown := AnovaRow{Row: row.name, SumOfSquares: significant(row.of.SumSquares * scale * scale), DegreesOfFreedom: row.of.DoF, MeanSquare: significant(row.of.MeanSquare * scale * scale)}
		if row.of.Tested {
			shown.F, shown.P = scaled(&row.of.F, 1), scaled(&row.of.P, 1)
		}
		out.Table = append(out.Table, shown)
	}
	for _, part := range []struct {
		name VariationComponentComponent
		of   *gaugestudy.Component
	}{{"repeatability", &m.Repeatability}, {"people", m.People}, {"interaction", m.Interaction}, {"reproducibility", m.Reproducibility}, {"gauge", &m.Gauge}, {"parts", m.Parts}, {"total", &m.Total}} {
		if part.of == nil || part.name == "total" && m.Parts == nil {
			continue
		}
		shown := VariationComponent{Component: part.name, Sd: significant(part.of.SD * scale), Variance: significant(part.of.Variance * scale * scale),
			PercentContribution: scaled(part.of.Contribution, 1), PercentStudy: scaled(part.of.StudyPercent, 1), PercentTolerance: scaled(part.of.TolerancePercent, 1)}
		if part.of.Below {
			shown.EstimateBelowZero = scaled(&part.of.Estimate, scale*scale)
		}
		if i := part.of.Interval; i != nil {
			shown.Low, shown.High = scaled(&i.Low, scale), scaled(&i.High, scale)
		}
		out.Components = append(out.Components, shown)
	}
	return out
}
