package api

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
)

// CreateRecommendation implements the contract.
func (s *Server) CreateRecommendation(c echo.Context, _ InClub, params CreateRecommendationParams) error {
	var decision string // of the attempt that was kept
	err := s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[RecommendationIn](in)
		snapshot := recommend.QueueSet(b, body.Joints, body.Vehicle, body.PinSeries, in.now)
		snapshot.Named = namedPriors(b, body.FormPriors)
		return func(tx *postgres.Tx) (answer, error) {
			if err := everyJointOnce(body, snapshot); err != nil {
				return answer{}, err
			}
			if err := everyPriorThere(body.FormPriors, snapshot); err != nil {
				return answer{}, err
			}
			q, err := question(body, in)
			if err != nil {
				return answer{}, err
			}
			var a *recommend.Answer
			err = s.timed(in.ctx, recommending, func() (workload, error) {
				w := workload{joints: len(snapshot.Joints.Items), features: len(snapshot.Features.Items), readings: len(snapshot.Readings.Items)}
				snapshot.Stop = in.abandoned
				if a, err = recommend.Decide(snapshot, q, tx.Now); err == nil {
					w.decision = string(a.Choice.Chosen.Status)
				}
				return w, err
			})
			if err != nil {
				return answer{}, err
			}
			decision = string(a.Choice.Chosen.Status)
			id, bodies := newID(), map[length.Unit][]byte{}
			for _, unit := range length.Units() { // nothing of it is computed again, so what may be asked for later is said now
				said := *a
				said.Question.Unit = unit
				out := recommendationOut(&said, string(unit))
				out.Id, out.CreatedAt = id, tx.Now
				if bodies[unit], err = render(out); err != nil {
					return answer{}, err
				}
			}
			explanation, err := render(explained(pointerTo(true), a.Derivation))
			if err != nil {
				return answer{}, err
			}
			recommend.Keep(tx, in.caller.MemberID, id, a, bodies, explanation)
			if or(params.Explain, false) {
				out, err := keptOut(recommend.Kept{Body: bodies[q.Unit], Explanation: explanation})
				return created(in.path("recommendations", id.String()), out).versioned(1, in.caller.Units), err
			}
			return created(in.path("recommendations", id.String()), json.RawMessage(bodies[q.Unit])).versioned(1, in.caller.Units), nil
		}
	})
	if err == nil && !eventOf(c).replayed {
		s.metrics.decisions.WithLabelValues(decision).Inc()
	}
	return err
}

// everyJointOnce holds the names in the request against what was found.
func everyJointOnce(body RecommendationIn, s *recommend.Snapshot) error {
	var faults []problem.Fault
	taken := map[uuid.UUID]bool{}
	for i, name := range body.Joints {
		at := fmt.Sprintf("/joints/%d", i)
		ref := postgres.ParseRef(name)
		var found []recommend.JointRow
		for _, j := range s.Joints.Items {
			if ref.ID != nil && *ref.ID == j.ID || ref.ID == nil && j.Position == name {
				found = append(found, j)
			}
		}
		switch {
		case len(found) == 0:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "there is no joint “" + name + "” here; use its id, or its position with the vehicle"})
		case len(found) > 1:
			return problem.Ambiguous(at, name, each(found, func(j recommend.JointRow) string { return j.VehicleCode + "/" + j.Position }))
		case taken[found[0].ID]:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "names a joint that stands in the list already"})
		default:
			taken[found[0].ID] = true
		}
	}
	if body.PinSeries != nil && len(s.Steps.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/pin_series", Detail: "there is no pin series “" + *body.PinSeries + "” in this club; GET the list"})
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return nil
}

func question(body RecommendationIn, in *call) (recommend.Question, error) {
	q := recommend.Question{Preference: string(or(body.Preference, Preference("cheapest"))), Risk: or(body.Risk, 0.05),
		Unit: length.Unit(in.caller.Units), Currency: in.caller.Currency}
	if body.Guidance != nil {
		g := string(*body.Guidance)
		q.Guidance = &g
	}
	if o := body.GuidanceOffset; o != nil {
		q.Offset = pointerTo(o.Length().Micrometres())
		if *q.Offset < 0 || *q.Offset > 5000 {
			return q, problem.Invalid(problem.Fault{Pointer: "/guidance_offset", Detail: "must be from 0 to 5 mm: it is the error of pilot, jig or leaves on radius"})
		}
		if or(body.Guidance, "") == RecommendationInGuidanceFloating && *q.Offset > 0 {
			return q, problem.Invalid(problem.Fault{Pointer: "/guidance_offset", Detail: "does not go with a floating reamer, which follows the bore; leave it out"})
		}
	}
	um := func(l *LengthIn) *float64 {
		if l == nil {
			return nil
		}
		return pointerTo(l.Length().Micrometres())
	}
	if body.Form != nil {
		q.Means = recommend.FormMeans{BellMouth: um(body.Form.BellMouth), Ovality: um(body.Form.Ovality), Surface: um(body.Form.Surface)}
		for name, mean := range map[string]*float64{"bell_mouth": q.Means.BellMouth, "ovality": q.Means.Ovality, "surface": q.Means.Surface} {
			if mean != nil && (*mean < 0 || *mean > 1000) {
				return q, problem.Invalid(problem.Fault{Pointer: "/form/" + name, Detail: "must be from 0 to 1 mm: it is a mean of form error, not a size"})
			}
		}
	}
	var faults []problem.Fault
	if q.Target, faults = jointTargetIn("/target", body.Target, nil); len(faults) > 0 {
		return q, problem.Invalid(faults...)
	}
	return q, nil
}

func recommendationOut(a *recommend.Answer, unit string) Recommendation {
	plan := a.Choice.Chosen
	out := Recommendation{
		VehicleId: a.Vehicle, PinSeriesId: a.Series.SeriesID, Decision: Decision(plan.Status), Preference: Preference(plan.Preference), Risk: a.Question.Risk,
		ProbabilityAll: plan.Success, Days: plan.Days, Readings: append([]Id{}, a.Used...), Engine: recommend.Engine, Digest: hex.EncodeToString(a.Digest[:]),
		Cost: pointerTo(moneyOut(plan.PriceMinor, a.Question.Currency)), Summary: a.Summary(), DoNext: remarksOut(a.DoNext()),
		Warnings: remarksOut(slices.Concat(a.Warnings, a.Doubts())), Cautions: remarksOut(a.Cautions()), Assumed: remarksOut(a.Assumed),
		Target: *jointTargetOut(a.Question.Target, pointerTo(int64(a.Nominal)), unit),
	}
	out.Priors, out.Outliers = pointerTo(each(a.Priors, func(p recommend.PriorUsed) PriorUsed { return priorUsedOut(p, unit) })), outliersOut(a.Outliers, unit)
	out.Contradictions = pointerTo(disputesOut(a.Disputes, unit))
	for j := range a.Joints {
		out.Joints = append(out.Joints, jointAnswerOut(a, j, unit))
	}
	for _, p := range a.Choice.Plans {
		out.Preferences = append(out.Preferences, planOut(a, p))
	}
	if a.Next != nil {
		out.NextMeasurement = nextOut(a, unit)
	}
	return out
}

func jointAnswerOut(a *recommend.Answer, j int, unit string) JointAnswer {
	row, chosen := a.Joints[j], a.Choice.Chosen.Joints[j]
	out := JointAnswer{JointId: row.ID, Position: row.Position, Decision: Decision(chosen.Status), Reasons: []Text{}}
	passing, cleanUp := a.SizesOf(j)
	out.PassingSize, out.CleanUpSize = pointerTo(sizeOut(passing, unit)), pointerTo(sizeOut(cleanUp, unit))
	for _, o := range a.Choice.Options[j] {
		out.Options = append(out.Options, optionOut(a, j, o, unit))
	}
	if o := a.Option(a.Choice.Chosen, j); o != nil {
		out.Option, out.Step = pointerTo(string(o.Kind)), stepName(a, o.Step)
		out.ProbabilityFit = &o.Success
		if o.Clearance != nil {
			out.Clearance = pointerTo(quantityOut(*o.Clearance, unit))
		}
		if o.Step >= 0 {
			step := a.StepRows[o.Step]
			out.Pin = pointerTo(lengthOut(length.Length(step.PinNm), unit))
			if step.PriceMinor != nil {
				out.PinPrice = pointerTo(moneyOut(*step.PriceMinor, a.Question.Currency))
			}
			out.PinDays = &a.Steps[o.Step].LeadDays
			if r := a.Steps[o.Step].Reamer; r != nil && (o.Kind == choice.ReamTo || o.Kind == choice.CutSmallerAndLook) {
				out.Reamer, out.Holes = optionalLength(step.ReamerNm, unit), pointerTo(len(a.Running[j]))
				if r.Available {
					out.ReamerModel = &r.Code
				}
			}
		}
		heldCut(&out, a, j, *o, unit)
		out.Reasons = each(o.Reasons, reasonOut)
		if text := a.WayOutText(*o); text != nil {
			out.IfItFails = pointerTo(remarkOut(*text))
		}
	}
	if chosen.RunnerUp >= 0 {
		o := a.Choice.Options[j][chosen.RunnerUp]
		out.RunnerUp = &RunnerUp{Option: string(o.Kind), Step: stepName(a, o.Step), WhyNot: whyNot(chosen.WhyNot, a.Question.Currency)}
	}
	return out
}

func stepName(a *recommend.Answer, step int) *string {
	if step < 0 {
		return nil
	}
	return pointerTo(a.Steps[step].Code)
}

func quantityOut(q choice.Quantity, unit string) EstimatedSize {
	return sizeOut(recommend.Size{Median: q.Mean, Low: q.Low, High: q.High}, unit)
}

// whyNot says why a runner-up was not taken; what it costs more is named as money,
// which choice does not know.
func whyNot(r choice.Reason, currency string) Text {
	if r.Code == "greater_loss" {
		r.Text = fmt.Sprintf("Its expected loss is greater by %s.", moneyOut(int64(math.Round(r.Params[0].Value)), currency).Text)
	}
	return reasonOut(r)
}

func reasonOut(r choice.Reason) Text {
	params := map[string]any{}
	for _, p := range r.Params {
		params[p.Name] = p.Value
	}
	t := Text{Code: r.Code, Text: r.Text}
	if len(params) > 0 {
		t.Params = &params
	}
	return t
}

func optionOut(a *recommend.Answer, j int, o choice.Option, unit string) OptionAnswer {
	out := OptionAnswer{Option: OptionAnswerOption(o.Kind), Step: stepName(a, o.Step), Text: a.OptionText(o),
		ProbabilityCleanUp: o.CleanUp, ProbabilityClearance: o.InTarget, ProbabilityFit: o.Success,
		Proof: OptionAnswerProof(o.Verdict), Open: o.Open, Days: o.Days, StepsLeft: &o.StepsLeft, RepairsLeft: &o.RepairsLeft}
	cutOut(&out, a, j, o, unit)
	if o.PriceMinor > 0 {
		out.Cost = pointerTo(moneyOut(o.PriceMinor, a.Question.Currency))
	}
	quantity := func(q *choice.Quantity) *EstimatedSize {
		if q == nil {
			return nil
		}
		return pointerTo(quantityOut(*q, unit))
	}
	out.Clearance, out.Allowance, out.Interference = quantity(o.Clearance), quantity(o.Allowance), quantity(o.Interference)
	if len(o.Reasons) > 0 {
		out.Against = pointerTo(each(o.Reasons, reasonOut))
	}
	return out
}

func planOut(a *recommend.Answer, p choice.Plan) PreferenceAnswer {
	out := PreferenceAnswer{Preference: Preference(p.Preference), Decision: Decision(p.Status), ProbabilityAll: p.Success, Days: p.Days,
		Cost: pointerTo(moneyOut(p.PriceMinor, a.Question.Currency)), Text: a.PlanText(p), Steps: []PlannedStep{}}
	for j := range p.Joints {
		step := PlannedStep{Position: a.Joints[j].Position, Option: "none"}
		if o := a.Option(p, j); o != nil {
			step.Option, step.Step = string(o.Kind), stepName(a, o.Step)
		}
		out.Steps = append(out.Steps, step)
	}
	return out
}

func nextOut(a *recommend.Answer, unit string) *NextMeasurement {
	n := a.Next
	out := &NextMeasurement{FeatureId: a.Features[n.Feature].ID, Position: a.PositionOf(n.Feature), Kind: "gauge", ProbabilityChanges: n.ChangesChoice,
		ProbabilitySettles: n.Settles, Saves: moneyOut(int64(math.Round(n.ValueMinor)), a.Question.Currency), Text: a.NextText()}
	if n.Instrument != "" {
		out.Kind, out.With = "measure", &n.Instrument
		if name, ok := map[wornsize.Station]Station{wornsize.MouthA: "mouth_a", wornsize.Middle: "middle", wornsize.MouthB: "mouth_b"}[n.Station]; ok {
			out.Station = &name
		}
	} else {
		out.Gauge = pointerTo(lengthOut(length.FromMicrometres(a.Nominal.Micrometres()+n.Size), unit))
		if n.Turned {
			out.Turn, out.TurningCost = pointerTo(true), pointerTo(moneyOut(int64(math.Round(n.CostMinor)), a.Question.Currency))
		}
	}
	for _, o := range n.Outcomes {
		name, text := a.OutcomeText(o)
		steps := each(o.Joints, func(j choice.JointOutcome) string {
			if j.Step < 0 {
				return string(j.Kind)
			}
			return string(j.Kind) + " " + a.Steps[j.Step].Code
		})
		out.Outcomes = append(out.Outcomes, NextOutcome{Outcome: name, Probability: o.Probability, Decision: Decision(o.Status), Steps: &steps, Text: text})
	}
	return out
}

func keptOut(k recommend.Kept) (Recommendation, error) {
	var out Recommendation
	if err := json.Unmarshal(k.Body, &out); err != nil {
		return out, err
	}
	out.SupersededBy = k.SupersededBy
	if k.Explanation != nil {
		return out, json.Unmarshal(k.Explanation, &out.Explanation)
	}
	return out, nil
}

// GetRecommendation implements the contract.
func (s *Server) GetRecommendation(c echo.Context, _ InClub, recommendation InRecommendation, params GetRecommendationParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		find := recommend.Find
		if or(params.Explain, false) {
			find = recommend.FindExplained
		}
		row := find(b, recommendation, (*string)(params.Units))
		return func() (answer, error) {
			k, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out, err := keptOut(k)
			if err != nil {
				return answer{}, err
			}
			if k.SupersededBy == nil && k.Explanation == nil { // the very bytes that were made then
				return ok(json.RawMessage(k.Body)).versioned(1, in.caller.Units), nil
			}
			return ok(out).tagged(out, in.caller.Units)
		}
	})
}

// ListRecommendations implements the contract.
func (s *Server) ListRecommendations(c echo.Context, _ InClub, params ListRecommendationsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := recommend.List(b, params.Vehicle, (*string)(params.Units), in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(k recommend.Kept) []string { return []string{k.ID.String()} })
			out := RecommendationPage{Items: []Recommendation{}, Next: next}
			for _, k := range items {
				r, err := keptOut(k)
				if err != nil {
					return answer{}, err
				}
				out.Items = append(out.Items, r)
			}
			return in.listed(out, next), nil
		}
	})
}
