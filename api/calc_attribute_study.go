package api

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/attributestudy"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
)

// CalcAttributeStudy implements the contract.
func (s *Server) CalcAttributeStudy(c echo.Context, params CalcAttributeStudyParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[AttributeStudyIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		study, people, origin, err := ask.study()
		if err != nil {
			return answer{}, err
		}
		result, err := attributestudy.Analyse(study)
		if err != nil {
			return answer{}, problem.Invalid(faultOf("/parts", err))
		}
		unit := length.Millimetre
		if size := ask.Parts[0].Size; size != nil {
			unit = size.Unit()
		}
		if params.Units != nil {
			unit = length.Unit(*params.Units)
		}
		out := attributeStudyOut(result, people, origin, unit)
		out.Explanation = explained(params.Explain, func() []derivation.Step { return result.Derivation() })
		return ok(out), nil
	})
}

// mostPeople keeps the pairs of people within a page.
const mostPeople = 50

// study arranges the decisions; sizes are counted from that of the first part.
func (ask AttributeStudyIn) study() (study attributestudy.Study, people []string, origin length.Length, err error) {
	x := cross(len(ask.Decisions), func(i int) (string, string) { return ask.Decisions[i].Person, ask.Decisions[i].Part })
	faults := x.equal("/decisions", 1, "decisions")
	if len(x.people) > mostPeople {
		faults = append(faults, problem.Fault{Pointer: "/decisions", Detail: fmt.Sprintf("are of %d people; every pair of them is compared, so send at most %d", len(x.people), mostPeople)})
	}
	study = attributestudy.Study{AcceptsSmall: ask.Accepts != nil && *ask.Accepts == "smaller", Confidence: or(ask.Confidence, attributestudy.Confidence)}
	var named []string
	for i, p := range ask.Parts {
		pointer := fmt.Sprintf("/parts/%d", i)
		if slices.Contains(named, p.Part) {
			faults = append(faults, problem.Fault{Pointer: pointer + "/part", Detail: "stands twice; say all that is known of a part in one entry"})
		} else if !slices.Contains(x.parts, p.Part) {
			faults = append(faults, problem.Fault{Pointer: pointer + "/part", Detail: "has no decision; leave it out, or add what people decided"})
		}
		named = append(named, p.Part)
		part := attributestudy.Part{Good: p.Good}
		if p.Size != nil {
			if i == 0 {
				origin = p.Size.Length()
			}
			part.Size = pointerTo((p.Size.Length() - origin).Micrometres())
		}
		study.Parts = append(study.Parts, part)
	}
	for _, part := range x.parts {
		if !slices.Contains(named, part) {
			faults = append(faults, problem.Fault{Pointer: "/parts", Detail: fmt.Sprintf("do not name part %.60q, which has decisions; add it, with good or size where known", part)})
		}
	}
	if len(faults) > 0 {
		return study, nil, 0, problem.Invalid(faults...)
	}
	for _, person := range x.people {
		var rows [][]bool
		for _, part := range named {
			var cell []bool
			for _, i := range x.cells[[2]string{person, part}] {
				cell = append(cell, ask.Decisions[i].Accepted)
			}
			rows = append(rows, cell)
		}
		study.Accepted = append(study.Accepted, rows)
	}
	return study, x.people, origin, nil
}

const fromAttributeStudies = "Measurement Systems Analysis, AIAG, 4th ed. 2010 (rates, from memory); J. Cohen, Educ. Psychol. Meas. 20 (1960) 37 (kappa); D. J. Finney, Probit Analysis, 1947 (blur)"

func attributeStudyOut(r attributestudy.Result, people []string, origin length.Length, unit length.Unit) AttributeStudyOut {
	out := AttributeStudyOut{Unit: Unit(unit), Parts: r.NParts, Trials: r.NTrials, Confidence: r.Confidence, All: attributePersonOut(r, r.All, origin, unit),
		People: []AttributePerson{}, Pairs: []AttributePair{}, Remarks: textsOut(r.Notes), Source: fromAttributeStudies}
	for i, p := range r.People {
		shown := attributePersonOut(r, p, origin, unit)
		shown.Person = &people[i]
		out.People = append(out.People, shown)
	}
	for _, p := range r.Pairs {
		out.Pairs = append(out.Pairs, AttributePair{First: people[p.First], Second: people[p.Second], Agreement: kappaOut(p.Kappa)})
	}
	if z := r.Seen; z != nil && z.Width > 0 {
		out.ZoneSeenFrom = pointerTo(micrometresOut(origin.Micrometres()+z.Low, string(unit)))
		out.ZoneSeenTo = pointerTo(micrometresOut(origin.Micrometres()+z.High, string(unit)))
	}
	var summary strings.Builder
	if r.Reference {
		fmt.Fprintf(&summary, "All people were right on %.0f %% of the parts every time", 100*r.All.Effectiveness.Share)
		if r.All.Misses.Of > 0 {
			fmt.Fprintf(&summary, ", accepted a bad one in %.1f %% of tries", 100*r.All.Misses.Share)
		}
		if r.All.FalseAlarms.Of > 0 {
			fmt.Fprintf(&summary, ", refused a good one in %.1f %%", 100*r.All.FalseAlarms.Share)
		}
	} else {
		fmt.Fprintf(&summary, "All people said the same on %.0f %% of the parts every time", 100*r.All.Consistent.Share)
	}
	if b := r.All.Blur; b != nil {
		scale := 1000 / float64(unit.Length())
		if b.SD > 0 {
			fmt.Fprintf(&summary, "; it decides at %s, felt to %.2g %s", micrometresOut(origin.Micrometres()+b.Half, string(unit)).Text, b.SD*scale, unit)
		} else if !math.IsInf(b.High, 0) {
			fmt.Fprintf(&summary, "; it decides at about %s, felt to better than %.2g %s", micrometresOut(origin.Micrometres()+b.Half, string(unit)).Text, b.High*scale, unit)
		}
	}
	out.Summary = summary.String() + "."
	return out
}

func attributePersonOut(r attributestudy.Result, p attributestudy.Person, origin length.Length, unit length.Unit) AttributePerson {
	out := AttributePerson{Consistent: countedOut(p.Consistent)}
	if r.Reference {
		out.Effectiveness, out.Correct = pointerTo(countedOut(p.Effectiveness)), pointerTo(countedOut(p.Correct))
		out.AgainstReference = pointerTo(kappaOut(p.Kappa))
		if p.Misses.Of > 0 {
			out.Misses = pointerTo(countedOut(p.Misses))
		}
		if p.FalseAlarms.Of > 0 {
			out.FalseAlarms = pointerTo(countedOut(p.FalseAlarms))
		}
	}
	if b := p.Blur; b != nil {
		scale := 1000 / float64(unit.Length())
		blur := BlurOut{Half: micrometresOut(origin.Micrometres()+b.Half, string(unit)), Sd: significant(b.SD * scale), Low: significant(b.Low * scale), Zone: significant(b.Width * scale)}
		if !math.IsInf(b.High, 0) {
			blur.High = scaled(&b.High, scale)
		}
		if blur.FeelKnown = !math.IsInf(b.Feel, 0); blur.FeelKnown {
			blur.Feel = scaled(&b.Feel, scale)
		}
		out.Blur = &blur
	}
	return out
}

func countedOut(s attributestudy.Share) CountedShare {
	return CountedShare{Count: s.Count, Of: s.Of, Share: significant(s.Share), Low: significant(s.Low), High: significant(s.High)}
}

func kappaOut(k attributestudy.Kappa) KappaOut {
	out := KappaOut{Observed: significant(k.Observed), Expected: significant(k.Expected)}
	if k.Defined {
		out.Kappa, out.StandardError = scaled(&k.Value, 1), scaled(&k.StandardError, 1)
	}
	return out
}
