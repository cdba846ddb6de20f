package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/attributestudy"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/drift"
	"pinwright/internal/calc/gaugestudy"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// The engines whose numbers stand beside a stored study; a change that moves them is a new number.
const (
	gaugeStudyEngine     = "gaugestudy 1"
	attributeStudyEngine = "attributestudy 1"
)

// ListToolStudies implements the contract.
func (s *Server) ListToolStudies(c echo.Context, _ InClub, name InTool, _ ListToolStudiesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		ref := postgres.ParseRef(name)
		day, id := in.pageDay(p)
		tools := tool.Find(b, ref)
		rows := tool.ListStudies(b, ref, day, id, p.limit+1)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(s tool.Study) []string {
				return []string{s.StudiedOn.Format(time.DateOnly), s.ID.String()}
			})
			return in.listed(ToolStudyPage{Items: each(items, studySummaryOut), Next: next}, next), nil
		}
	})
}

func studySummaryOut(s tool.Study) ToolStudySummary {
	return ToolStudySummary{Id: s.ID, ToolId: s.ToolID, Kind: ToolStudySummaryKind(s.Kind), StudiedOn: openapi_types.Date{Time: s.StudiedOn}, Engine: s.Engine,
		Repeatability: scaled(s.RepeatabilityUm, 1), RepeatabilityDegreesOfFreedom: scaled(s.RepeatabilityDof, 1),
		Reproducibility: scaled(s.ReproducibilityUm, 1), ReproducibilityDegreesOfFreedom: scaled(s.ReproducibilityDof, 1), Feel: scaled(s.FeelUm, 1)}
}

// GetGaugeStudy implements the contract.
func (s *Server) GetGaugeStudy(c echo.Context, _ InClub, id InGaugeStudy, params GetGaugeStudyParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := tool.FindStudy(b, id)
		return func() (answer, error) {
			study, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := studyOut(study, length.Unit(in.caller.Units), params.Explain)
			return ok(out), err
		}
	})
}

// studyOut works a stored study out again.
func studyOut(s tool.Study, unit length.Unit, explain *bool) (ToolStudy, error) {
	sum := studySummaryOut(s)
	out := ToolStudy{Id: sum.Id, ToolId: sum.ToolId, Kind: ToolStudyKind(s.Kind), StudiedOn: sum.StudiedOn, Engine: sum.Engine,
		Repeatability: sum.Repeatability, RepeatabilityDegreesOfFreedom: sum.RepeatabilityDegreesOfFreedom,
		Reproducibility: sum.Reproducibility, ReproducibilityDegreesOfFreedom: sum.ReproducibilityDegreesOfFreedom, Feel: sum.Feel}
	if s.Kind == tool.GaugeStudy {
		var posted GaugeStudyIn
		if err := json.Unmarshal(s.Posted, &posted); err != nil {
			return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
		}
		study, origin, err := posted.study()
		if err != nil {
			return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
		}
		result, err := gaugestudy.Analyse(study)
		if err != nil {
			return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
		}
		out.GaugeResult = pointerTo(gaugeStudyOut(result, study, origin, unit))
		out.GaugeResult.Explanation = explained(explain, result.Derivation)
		out.Readings = pointerTo(each(posted.Readings, func(r StudyReadingIn) StudyReading {
			return StudyReading{Person: r.Person, Part: r.Part, Value: lengthOut(r.Value.Length(), string(unit)), Entered: r.Value.String()}
		}))
		return out, nil
	}
	var posted AttributeStudyIn
	if err := json.Unmarshal(s.Posted, &posted); err != nil {
		return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
	}
	study, people, origin, err := posted.study()
	if err != nil {
		return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
	}
	result, err := attributestudy.Analyse(study)
	if err != nil {
		return ToolStudy{}, fmt.Errorf("study %s: %w", s.ID, err)
	}
	out.AttributeResult = pointerTo(attributeStudyOut(result, people, origin, unit))
	out.AttributeResult.Explanation = explained(explain, result.Derivation)
	out.Decisions = pointerTo(each(posted.Decisions, func(d DecisionIn) StudyDecision {
		return StudyDecision(d)
	}))
	return out, nil
}

// CreateToolStudy implements the contract.
func (s *Server) CreateToolStudy(c echo.Context, _ InClub, name InTool, _ CreateToolStudyParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolStudyIn](in)
		row := tool.Lock(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			study, unsound := body.toStudy()
			if unsound == nil {
				unsound = t.MayStudy(study.Kind)
			}
			study.ID, study.ToolID, study.StudiedOn = newID(), t.ID, body.StudiedOn.Time
			var ahead error
			if faults := study.CheckStudiedOn(tx.Now); len(faults) > 0 {
				ahead = problem.Invalid(faults...)
			}
			if err := together(unsound, ahead); err != nil {
				return answer{}, err
			}
			out, err := studyOut(study, length.Unit(in.caller.Units), nil)
			if err != nil {
				return answer{}, err
			}
			tool.RecordStudy(tx, in.caller.MemberID, t, study)
			return answer{status: http.StatusCreated, body: out}, nil
		}
	})
}

// toStudy works a posted study out and makes it ready to be kept.
func (body ToolStudyIn) toStudy() (tool.Study, error) {
	switch {
	case (body.GaugeStudy == nil) == (body.AttributeStudy == nil):
		return tool.Study{}, problem.Invalid(problem.Fault{Pointer: "/gauge_study", Detail: "or attribute_study is needed, and not both: readings of an instrument, or decisions of a gauge"})
	case body.GaugeStudy != nil:
		return body.GaugeStudy.toStudy()
	}
	return body.AttributeStudy.toStudy()
}

// letters gives people letters in the order in which they come: A to Z, then A2 and so on.
func letters() func(name string) string {
	known := map[string]string{}
	return func(name string) string {
		if known[name] == "" {
			n := len(known)
			known[name] = string(rune('A' + n%26))
			if n >= 26 {
				known[name] += fmt.Sprint(n/26 + 1)
			}
		}
		return known[name]
	}
}

func (ask GaugeStudyIn) toStudy() (tool.Study, error) {
	study, _, err := ask.study()
	if err != nil {
		return tool.Study{}, under("/gauge_study", err)
	}
	result, err := gaugestudy.Analyse(study)
	if err != nil {
		return tool.Study{}, problem.Invalid(faultOf("/gauge_study/readings", err))
	}
	letter := letters()
	kept := ask
	kept.Readings = each(ask.Readings, func(r StudyReadingIn) StudyReadingIn {
		r.Person = letter(r.Person)
		return r
	})
	posted, err := json.Marshal(kept)
	if err != nil {
		return tool.Study{}, err
	}
	fed := result.Instrument()
	out := tool.Study{Kind: tool.GaugeStudy, Posted: posted, Engine: gaugeStudyEngine, RepeatabilityUm: &fed.Repeatability, RepeatabilityDof: &fed.RepeatabilityDoF}
	if result.NPeople > 1 {
		out.ReproducibilityUm, out.ReproducibilityDof = &fed.Reproducibility, present(fed.ReproducibilityDoF)
	}
	return out, nil
}

func (ask AttributeStudyIn) toStudy() (tool.Study, error) {
	study, _, _, err := ask.study()
	if err != nil {
		return tool.Study{}, under("/attribute_study", err)
	}
	result, err := attributestudy.Analyse(study)
	if err != nil {
		return tool.Study{}, problem.Invalid(faultOf("/attribute_study/parts", err))
	}
	letter := letters()
	kept := ask
	kept.Decisions = each(ask.Decisions, func(d DecisionIn) DecisionIn {
		d.Person = letter(d.Person)
		return d
	})
	posted, err := json.Marshal(kept)
	if err != nil {
		return tool.Study{}, err
	}
	out := tool.Study{Kind: tool.AttributeStudy, Posted: posted, Engine: attributeStudyEngine}
	if b := result.All.Blur; b != nil && !math.IsInf(b.Feel, 0) {
		out.FeelUm = &b.Feel
	}
	return out, nil
}

// under puts the faults of a body's part at their place in the whole.
func under(pointer string, err error) error {
	var p *problem.Error
	if !errors.As(err, &p) {
		return err
	}
	moved := *p
	moved.Faults = each(p.Faults, func(f problem.Fault) problem.Fault {
		f.Pointer = pointer + f.Pointer
		return f
	})
	return &moved
}

// GetToolDrift implements the contract.
func (s *Server) GetToolDrift(c echo.Context, _ InClub, name InTool, params GetToolDriftParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(name)
		tools := tool.Find(b, ref)
		models := tool.Instruments(b, ref)
		calibrations := tool.History(b, ref)
		return func() (answer, error) {
			t, err := tools.One()
			if err != nil {
				return answer{}, err
			}
			instrument, err := models.One()
			if err != nil {
				return answer{}, err
			}
			w, remarks, err := driftOf(t, instrument, calibrations.Items, params, in.now)
			if err != nil {
				return answer{}, err
			}
			out, err := w.answer(length.Unit(in.caller.Units))
			out.Remarks = append(textsOut(remarks), out.Remarks...)
			out.Explanation = explained(params.Explain, func() []derivation.Step { return w.Model.Derivation(w.years) })
			return ok(out), err
		}
	})
}

// driftOf learns from a tool's calibrations what it does by the day of now.
func driftOf(t tool.Tool, instrument tool.Instrument, calibrations []tool.Calibration, params GetToolDriftParams, now time.Time) (*wander, []uncertainty.Remark, error) {
	if err := t.MayCalibrate(); err != nil {
		return nil, nil, err
	}
	findings := tool.Findings(calibrations)
	if len(findings) == 0 {
		return nil, nil, problem.Invalid(problem.Fault{Pointer: "{tool}", Detail: "has no calibration that states a deviation, so nothing tells where it is; record one with its deviation (0 mm where the certificate says none was found)"})
	}
	w := &wander{on: now.UTC().Truncate(24 * time.Hour)}
	var remarks []uncertainty.Remark
	if params.PermittedError != nil {
		q, err := length.Parse(*params.PermittedError)
		if err != nil {
			return nil, nil, problem.Invalid(faultOf("?permitted_error", err))
		}
		if w.permitted = q.Length(); w.permitted <= 0 {
			return nil, nil, problem.Invalid(problem.Fault{Pointer: "?permitted_error", Detail: "must be greater than zero: the greatest deviation either way that will do"})
		}
	} else {
		usual, err := tool.UsualError(t.Kind, instrument.Size, instrument.GaugeClass)
		if err != nil {
			return nil, nil, problem.Invalid(problem.Fault{Pointer: "?permitted_error", Detail: "is needed: nothing is usual for this tool"})
		}
		w.permitted = length.FromMicrometres(usual)
		remarks = append(remarks, uncertainty.Remark{Code: "assumed_permitted_error", Params: []uncertainty.Param{{Name: "permitted", Value: usual, Unit: "um"}},
			Text: fmt.Sprintf("A deviation of %.3g µm either way was taken as permitted, which a sound tool of its kind keeps (common practice, no published source).", usual)})
	}
	var err error
	if w.Wander, err = tool.Learn(findings, drift.History{Permitted: w.permitted.Micrometres(), Reliability: or(params.Reliability, drift.Reliability), Corrected: or(params.Corrected, true)}); err != nil {
		return nil, nil, problem.Invalid(faultOf("?permitted_error", err))
	}
	if without := len(calibrations) - len(findings); without > 0 {
		remarks = append(remarks, uncertainty.Remark{Code: "calibrations_without_deviation", Text: fmt.Sprintf("Calibrations that state no deviation say nothing of drift and were left out (%d).", without)})
	}
	// A certificate may be dated by a day that has not begun here.
	w.years = math.Max(0, tool.Years(w.Newest, w.on))
	if w.on.Before(w.Newest) {
		w.on = w.Newest
	}
	return w, remarks, nil
}
