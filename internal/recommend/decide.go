package recommend

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/bush"
	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

// Question is what is asked of a set, beside its joints.
type Question struct {
	Preference string // uniform, least_metal or cheapest
	Risk       float64
	Target     vehicle.Target // when none, the joint's or its template's
	Guidance   *string        // for all joints, in place of their own; so is its offset, in micrometres
	Offset     *float64
	Means      FormMeans
	Unit       length.Unit // in which sentences give lengths
	Currency   string
}

// Answer is the engine's answer with what it was made from, in micrometres and
// minor units.
type Answer struct {
	Question  Question
	Vehicle   uuid.UUID
	Series    StepRow // its first step, for the series' names
	Nominal   length.Length
	Joints    []JointRow
	Features  []FeatureRow
	Steps     []choice.Step
	StepRows  []StepRow
	Posterior wornsize.Posterior
	Running   [][]int      // by joint: indexes into Features
	Bushes    []*bush.Plan // by joint; nil where none was planned
	Problem   choice.Problem
	Choice    choice.Answer
	Next      *choice.NextReading
	Low, High length.Length // clearance limits
	Used      []uuid.UUID
	Digest    [32]byte
	Assumed   []Remark
	Warnings  []Remark // but for Doubts
	Priors    []PriorUsed
	Outliers  []Outlier // nil when nobody looked
	Disputes  []Dispute
}

// Decide answers q from the snapshot. The time only tells how long a reamer
// that is out will be waited for.
func Decide(s *Snapshot, q Question, now time.Time) (*Answer, error) {
	joints, rows := q.guide(s.Joints.Items), s.Steps.Items
	for _, j := range joints[1:] {
		if j.VehicleID != joints[0].VehicleID {
			return nil, problem.Invalid(problem.Fault{Pointer: "/joints", Detail: "are of several vehicles; ask for each vehicle by itself"})
		}
	}
	if len(rows) == 0 {
		return nil, problem.Invalid(problem.Fault{Pointer: "/pin_series", Detail: "name the pin series whose sizes are on offer; these joints have none of their own"})
	}
	for _, r := range rows {
		if r.SeriesID != rows[0].SeriesID {
			return nil, problem.Invalid(problem.Fault{Pointer: "/pin_series", Detail: fmt.Sprintf("these joints have several (%s, %s); name one, or ask for them apart", rows[0].SeriesCode, r.SeriesCode)})
		}
	}
	nominal := length.Length(rows[0].PinNm)
	o, err := observe(joints, s.Features.Items, s.Readings.Items, nominal, tallest(rows, nominal), q.Means, s.priors())
	if err != nil {
		return nil, problem.Invalid(problem.Fault{Pointer: "/joints", Detail: err.Error()})
	}
	a := &Answer{Question: q, Vehicle: joints[0].VehicleID, Series: rows[0], Nominal: nominal, Joints: joints, Features: o.features, StepRows: rows, Used: o.used}
	a.Question.Target = q.Target
	if q.Target.IsZero() {
		var assumed *Remark
		if a.Question.Target, assumed = joints[0].Target(); assumed != nil {
			o.assumed.list = append(o.assumed.list, *assumed)
		}
	}
	size := int64(nominal)
	wanted, err := a.Question.Target.Resolve(&size)
	if err != nil {
		return nil, problem.Invalid(problem.Fault{Pointer: "/target/fit", Detail: err.Error()})
	}
	a.Low, a.High = wanted.Min, wanted.Max
	cutters := slices.Clone(s.Cutters.Items)
	learn(cutters, s.Cutting)
	waits := map[string]int{}
	for i, c := range cutters {
		if c.FreeFrom != nil && c.FreeFrom.After(now) {
			waits[c.Code] = int(math.Ceil(c.FreeFrom.Sub(now).Hours() / 24))
		}
		cutters[i].FreeFrom = nil // the digest takes the days instead, so that it does not change by the second
	}
	a.Steps = steps(rows, cutters, joints, nominal, func(c CutterRow) int { return waits[c.Code] }, &o.assumed)
	o.set.Stop = s.Stop
	estimation, err := wornsize.Begin(o.set)
	if err != nil {
		return nil, fmt.Errorf("estimate: %w", err)
	}
	a.Posterior = estimation.Posterior
	a.Problem = choice.Problem{Posterior: a.Posterior, Series: a.Steps, Losses: choice.DefaultLosses(), Preference: choice.Preference(q.Preference),
		Risk: choice.Risk{Joint: q.Risk, Set: q.Risk}, Nominal: nominal.Micrometres()}
	o.assumed.add("assumed_losses", nil, "What a failed cut, a day's waiting and a spent step of the ladder cost was taken from defaults (common practice, no published source).")
	for _, j := range joints {
		one, running := o.joint(j, a)
		if len(running) == 0 {
			return nil, problem.Invalid(problem.Fault{Pointer: "/joints", Detail: j.Position + " has no running bore, so there is nothing to decide"})
		}
		a.Problem.Joints = append(a.Problem.Joints, one)
		a.Running = append(a.Running, running)
	}
	if a.Choice, err = choice.Decide(a.Problem); err != nil {
		return nil, fmt.Errorf("choice: %w", err)
	}
	a.ofPractice(&o.assumed)
	if a.Choice.Chosen.Status != choice.Decided {
		if err := a.searchNext(o.set, estimation, s.Gauges.Items); err != nil {
			return nil, err
		}
	}
	if err := a.doubts(o); err != nil {
		return nil, err
	}
	a.Assumed, a.Warnings = o.assumed.list, o.warnings.list
	asked := q
	asked.Unit = "" // the answer is the same in every unit
	a.Digest = digest(Engine, asked, joints, s.Features.Items, s.Readings.Items, rows, cutters, waits, s.Gauges.Items, s.priors())
	return a, nil
}

// Target is the clearance wanted of j, and the remark that it was assumed.
func (j JointRow) Target() (vehicle.Target, *Remark) {
	t := vehicle.Target{MinNM: j.ClearanceMinNm, MaxNM: j.ClearanceMaxNm, Thousandth: j.Thousandth}
	if j.Fit != nil {
		t.Fit = *j.Fit
	}
	if !t.IsZero() {
		return t, nil
	}
	return vehicle.Target{Thousandth: true}, &Remark{Code: "assumed_target", Text: "The clearance wanted was taken as about one thousandth of an inch (common practice, no published source)."}
}

// joint makes one joint ready for the choice.
func (o *observation) joint(j JointRow, a *Answer) (choice.Joint, []int) {
	one := choice.Joint{Code: j.Position, Pin: -1, Target: choice.Interval{Low: a.Low.Micrometres(), High: a.High.Micrometres()}}
	for i, f := range o.features {
		switch {
		case f.JointID != j.ID:
		case f.Shape == "bore" && f.Duty == "running":
			one.Running = append(one.Running, i)
			one.Dirty = one.Dirty || o.surface[i] == "rusty" || o.surface[i] == "pitted"
			if len(o.set.Features[i].Readings) == 0 {
				o.warnings.add("bore_not_read", map[string]any{"position": j.Position, "feature": f.Code}, "%s, %s: nothing was read of it, so its size is a guess as wide as it can be.", j.Position, f.Code)
			}
		case f.Shape == "bore" && len(o.set.Features[i].Readings) > 0:
			one.Held = append(one.Held, i)
		case f.Shape == "pin" && len(o.set.Features[i].Readings) > 0:
			one.Pin = i
			step := stepOf(a.Posterior.Features[i].Original, a.StepRows, a.Nominal)
			if step.Probability > 0.9 {
				one.Fitted = slices.IndexFunc(a.StepRows, func(s StepRow) bool { return s.Code == step.Code })
			}
		}
	}
	for fact, seen := range map[choice.Fact]bool{choice.CrackedBoss: j.CrackedBoss, choice.ThinBoss: j.ThinBoss, choice.LinedBush: j.LinedBush,
		choice.HardenedBore: o.hardened(j), choice.BentLeaf: j.BentLeaf, choice.Coated: j.Coated, choice.SinteredBush: j.SinteredBush || is(j.Boss.Material, "bronze_sintered"), choice.LeavesOutOfLine: j.OutOfLine, choice.BentPin: j.BentPin, choice.SteppedPin: j.SteppedPin} {
		if seen {
			one.Facts = append(one.Facts, fact)
		}
	}
	slices.Sort(one.Facts)
	one.Replacement = &choice.Replacement{PriceMinor: partPrice, LabourMinor: partLabour, LeadDays: partLeadDays, Meets: partMeets}
	o.assumed.add("assumed_bush_and_part", map[string]any{"bush_minor": bushPrice, "part_minor": partPrice}, "Prices and days of a bush or a new part were taken from defaults (common practice, no published source).")
	o.place(&one, j)
	o.walls(&one, j)
	o.held(&one, j, a.StepRows)
	o.honing(&one)
	reach := math.Inf(-1)
	for _, f := range one.Running {
		reach = math.Max(reach, a.Posterior.Features[f].CleanUp.Quantile(1-a.Question.Risk))
	}
	if len(one.Running) > 0 {
		a.Bushes = append(a.Bushes, o.bushed(&one, j, a.Steps[0], reach))
	}
	return one, one.Running
}

// mostEstimates bounds the search for the next reading.
const mostEstimates = 48

// leastWorth is what a next reading must be worth to be named, minor units.
const leastWorth = 0.5

func (a *Answer) searchNext(set wornsize.Set, estimation *wornsize.Estimation, rows []GaugeRow) error {
	search := choice.Search{Gauges: choice.SeriesGauges(a.Steps, defaultGaugeBlur), MaxEstimates: mostEstimates, Keep: 1,
		Turning: &choice.Turning{CostMinor: turningCost, Tolerance: turningTolerance, Blur: defaultGaugeBlur}}
	seen := map[int64]bool{}
	for _, g := range rows {
		switch {
		case g.SizeNm != nil && (g.Kind == "pin_gauge" || g.Kind == "plug_gauge"):
			if !seen[*g.SizeNm] {
				seen[*g.SizeNm] = true
				search.Gauges = append(search.Gauges, choice.Gauge{Code: g.Code, Size: (length.Length(*g.SizeNm) - a.Nominal).Micrometres(), Blur: defaultGaugeBlur})
			}
		case g.Kind == "bore_gauge":
			search.Instruments = []choice.Instrument{{Code: g.Code, U: instrumentSpreadU, Stations: []wornsize.Station{wornsize.Middle}}}
		}
	}
	next, _, err := choice.NextReadings(a.Problem, set, search, estimation.Estimate)
	if err != nil {
		return fmt.Errorf("next reading: %w", err)
	}
	if len(next) > 0 && next[0].ValueMinor >= leastWorth {
		a.Next = &next[0]
	}
	return nil
}

// digest is the SHA-256 of all inputs in one order.
func digest(inputs ...any) [32]byte {
	text, err := json.Marshal(inputs)
	if err != nil {
		panic(fmt.Sprintf("recommend: inputs do not marshal: %v", errors.Unwrap(err))) // rows of ours with finite numbers
	}
	return sha256.Sum256(text)
}
