package api

import (
	"fmt"
	"math"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/conformity"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// CalcConformity implements the contract.
func (s *Server) CalcConformity(c echo.Context, params CalcConformityParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ConformityIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		q, faults := ask.question()
		if len(faults) > 0 {
			return answer{}, problem.Invalid(faults...)
		}
		if params.Units != nil {
			q.unit = length.Unit(*params.Units)
		}
		out, steps, err := q.answer()
		if err != nil { // every limit and uncertainty was looked at before
			return answer{}, problem.Invalid(faultOf("", err))
		}
		out.Explanation = explained(params.Explain, func() []derivation.Step { return steps })
		return ok(out), nil
	})
}

// conformityAsked is a question of conformity, in micrometres.
type conformityAsked struct {
	unit       length.Unit
	limits     conformity.Tolerance
	y          *float64
	u          float64
	k          float64
	risk       float64
	multiplier float64
	process    *conformity.Process
	assumedK   bool
}

func (ask ConformityIn) question() (q conformityAsked, faults []problem.Fault) {
	fault := func(pointer, detail string) { faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail}) }
	q = conformityAsked{unit: length.Millimetre, limits: conformity.Tolerance{Lower: math.Inf(-1), Upper: math.Inf(1)},
		k: or(ask.CoverageFactor, 2), risk: or(ask.Risk, conformity.DefaultRisk), multiplier: or(ask.GuardMultiplier, 1), assumedK: ask.CoverageFactor == nil}
	switch {
	case ask.Lower == nil && ask.Upper == nil:
		fault("/upper", "is needed, or lower, or both: the limits of size")
	case ask.Lower != nil && ask.Upper != nil && ask.Lower.Length() > ask.Upper.Length():
		fault("/lower", "is above upper; exchange them")
	}
	if ask.Upper != nil {
		q.unit, q.limits.Upper = ask.Upper.Unit(), ask.Upper.Length().Micrometres()
	}
	if ask.Lower != nil {
		q.unit, q.limits.Lower = ask.Lower.Unit(), ask.Lower.Length().Micrometres()
	}
	switch {
	case ask.U == nil && ask.ExpandedUncertainty == nil:
		fault("/u", "is needed, the standard uncertainty of the measurement; or expanded_uncertainty")
	case ask.U != nil && ask.ExpandedUncertainty != nil:
		fault("/u", "and expanded_uncertainty say the same; give one of the two")
	case ask.U != nil:
		q.u = ask.U.Length().Micrometres()
		if q.u <= 0 {
			fault("/u", "must be greater than zero; no measurement is free of doubt")
		}
	default:
		q.u = ask.ExpandedUncertainty.Length().Micrometres() / q.k
		if q.u <= 0 {
			fault("/expanded_uncertainty", "must be greater than zero; no measurement is free of doubt")
		}
	}
	if ask.Value != nil {
		q.y = pointerTo(ask.Value.Length().Micrometres())
	} else if ask.Process == nil {
		fault("/value", "is needed, what was measured; or process, for the risks before anything is measured")
	}
	if p := ask.Process; p != nil {
		q.process = &conformity.Process{Mean: p.Mean.Length().Micrometres(), SD: p.Sd.Length().Micrometres()}
		if q.process.SD <= 0 {
			fault("/process/sd", "must be greater than zero: the standard deviation of the parts themselves")
		}
	}
	return q, faults
}

func (q conformityAsked) answer() (ConformityOut, []derivation.Step, error) {
	scale := 1000 / float64(q.unit.Length())
	show := func(um float64) *Length {
		if math.IsInf(um, 0) {
			return nil
		}
		return pointerTo(micrometresOut(um, string(q.unit)))
	}
	factor, err := conformity.GuardFactor(q.risk)
	if err != nil {
		return ConformityOut{}, nil, err
	}
	proves, provable, err := conformity.AcceptanceZone(q.limits, q.u, q.risk)
	if err != nil {
		return ConformityOut{}, nil, err
	}
	zone, acceptable, err := conformity.GuardBand(q.limits, q.k*q.u, q.multiplier)
	if err != nil {
		return ConformityOut{}, nil, err
	}
	out := ConformityOut{Unit: Unit(q.unit), U: significant(q.u * scale), Risk: q.risk, GuardFactor: significant(factor),
		Rule: ConformityOutRule(conformity.RuleOf(q.multiplier)), GuardBand: significant(q.multiplier * q.k * q.u * scale),
		Source: "JCGM 106:2012, clauses 7 to 9; ISO 14253-1", Assumed: []Text{}}
	if q.assumedK {
		out.Assumed = append(out.Assumed, Text{Code: "assumed_coverage_factor", Text: "The coverage factor was assumed to be 2, as is usual."})
	}
	var summary strings.Builder
	if provable {
		out.ProvesFrom, out.ProvesTo = show(proves.Lower), show(proves.Upper)
	} else {
		fmt.Fprintf(&summary, "With so much doubt no reading can prove these limits at a risk of %.3g. ", q.risk)
	}
	if acceptable {
		out.AcceptFrom, out.AcceptTo = show(zone.Lower), show(zone.Upper)
	} else {
		summary.WriteString("The guard bands leave nothing to accept. ")
	}
	steps := conformity.GuardDerivation(q.limits, zone, q.k*q.u, q.multiplier, "um")
	if q.y != nil {
		v, err := conformity.Judge(q.limits, *q.y, q.u, q.risk)
		if err != nil {
			return ConformityOut{}, nil, err
		}
		steps = append(v.Derivation(q.limits, *q.y, q.u, q.risk, "um"), steps...)
		accepted := acceptable && zone.Accepts(*q.y)
		out.Decision, out.Accepted = pointerTo(ConformityOutDecision(v.Decision)), &accepted
		out.ProbabilityConforming, out.ProbabilityNonconforming = scaled(&v.Conforming, 1), scaled(&v.Nonconforming, 1)
		out.ProbabilityBelow, out.ProbabilityAbove = scaled(&v.Below, 1), scaled(&v.Above, 1)
		said := "rejects"
		if accepted {
			said = "accepts"
		}
		fmt.Fprintf(&summary, "Conformity is %s at a risk of %.3g: probability %.4g. The rule with a guard band %s it. ", v.Decision, q.risk, v.Conforming, said)
	}
	if q.process != nil {
		more, err := q.risks(&out, zone, acceptable, &summary)
		if err != nil {
			return ConformityOut{}, nil, err
		}
		steps = append(steps, more...)
	}
	out.Summary = strings.TrimSpace(summary.String())
	return out, steps, nil
}

// risks are those that need the process.
func (q conformityAsked) risks(out *ConformityOut, zone conformity.Tolerance, acceptable bool, summary *strings.Builder) ([]derivation.Step, error) {
	var steps []derivation.Step
	scale := 1000 / float64(q.unit.Length())
	if q.y != nil {
		b, err := conformity.Specific(q.limits, *q.process, *q.y, q.u)
		if err != nil {
			return nil, err
		}
		steps = b.Derivation(*q.process, *q.y, q.u, "um")
		shown := SpecificRisk{Size: micrometresOut(b.Mean, string(q.unit)), Sd: significant(b.SD * scale), ProbabilityConforming: significant(b.Conforming), ProbabilityNonconforming: significant(b.Nonconforming),
			Risk: significant(b.Conforming), Bears: "producer"}
		if acceptable && zone.Accepts(*q.y) {
			shown.Risk, shown.Bears = significant(b.Nonconforming), "consumer"
		}
		out.SpecificRisk = &shown
	}
	r, err := conformity.Global(q.limits, zone, *q.process, q.u)
	if err != nil {
		return nil, err
	}
	out.GlobalRisk = &GlobalRisk{Consumer: significant(r.Consumer), Producer: significant(r.Producer), ProbabilityConforming: significant(r.Conforming), ProbabilityAccepted: significant(r.Accepted),
		NonconformingOfAccepted: significant(r.OfAccepted), ConformingOfRejected: significant(r.OfRejected)}
	fmt.Fprintf(summary, "Of all parts of the process %.3g %% are accepted though they do not conform, and %.3g %% rejected though they do.", 100*r.Consumer, 100*r.Producer)
	return append(steps, r.Derivation(zone, *q.process, q.u, "um")...), nil
}
