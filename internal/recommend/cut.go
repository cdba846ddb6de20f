package recommend

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/reamerwear"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
)

// What form a bore has that was just reamed, µm on average, and what a metre of cut
// takes off a reamer of high speed steel in mild steel with oil (common practice, no published source).
const (
	cutBellMouth, cutOvality, cutSurface = 4.0, 3.0, 1.0
	wearRate, wearRateU                  = 0.5, 0.5 // µm a metre
	usualDepth                           = 20_000   // µm, of a bore whose length is not known
)

// CutFrom is the standard deviation from which on a size is too little known to tell of the
// reamer that cut it, µm.
const CutFrom = 15

// ToolCut is one bore that a reamer of the club has cut, as its verification found it.
type ToolCut struct {
	ToolID  uuid.UUID `json:"tool_id"`
	SizeNm  int64     `json:"size_nm"`
	UNm     int64     `json:"u_nm"`
	DepthNm *int64    `json:"depth_nm"`
	At      time.Time `json:"at"`
}

// AfterCut leaves of the bores' readings only those that were taken once they were
// reamed, at the earliest at since: what was read before speaks of another size.
func (s *Snapshot) AfterCut(since time.Time) {
	bores := map[uuid.UUID]bool{}
	for _, f := range s.Features.Items {
		bores[f.ID] = f.Shape == "bore"
	}
	s.Readings.Items = slices.DeleteFunc(slices.Clone(s.Readings.Items), func(r reading.Observation) bool {
		return bores[r.FeatureID] && (r.Stage != "reamed" && r.Stage != "assembled" || r.TakenAt.Before(since))
	})
}

// EstimateCut is EstimateJoint of a joint's running bores as they were just reamed; the snapshot
// was reduced by AfterCut. Without readings the estimate of a bore is as wide as it can be.
func EstimateCut(s *Snapshot, joint uuid.UUID, unit length.Unit) ([]FeatureEstimate, error) {
	reamed := *s
	reamed.Features = &postgres.Rows[FeatureRow]{}
	for _, f := range s.Features.Items {
		if f.Shape == "bore" && f.Duty == "running" {
			reamed.Features.Items = append(reamed.Features.Items, f)
		}
	}
	reamed.Joints = &postgres.Rows[JointRow]{Items: slices.Clone(s.Joints.Items)}
	for i := range reamed.Joints.Items {
		reamed.Joints.Items[i].Guidance = string(choice.Floating) // nothing is to be cut any more
	}
	return estimateJoint(&reamed, joint, unit, FormMeansOfCut(), func(FeatureRow) bool { return true })
}

// FormOfCut tells what EstimateCut takes of the form.
func FormOfCut() Remark {
	return Remark{Code: "assumed_form_of_cut", Params: map[string]any{"bell_mouth_um": cutBellMouth, "ovality_um": cutOvality},
		Text: fmt.Sprintf("Of a bore that was just reamed a bell mouth of %g µm and an ovality of %g µm were taken, each on average (common practice, no published source).", cutBellMouth, cutOvality)}
}

// learned makes what the club's verifications tell of a model's reamers the law of the next
// hole: with several in service any of them may be the one that is lent. The model lies so many
// micrometres beside the size that the step names.
func learned(r *choice.Reamer, c CutterRow, beside float64, assumed *remarks) {
	if len(c.Cuts) == 0 {
		return
	}
	prior := reamerwear.Prior{Size: defaultOvercut, SizeU: r.OvercutU, Rate: wearRate, RateU: wearRateU, Scatter: []reamerwear.Scatter{{Sigma: defaultScatter / 2.0, Weight: 1}, {Sigma: defaultScatter, Weight: 2}, {Sigma: 2 * defaultScatter, Weight: 1}}}
	fresh, err := reamerwear.New(prior)
	if err != nil {
		panic(fmt.Sprintf("recommend: cut size: %v", err)) // a prior of our own
	}
	states, travels := map[uuid.UUID]reamerwear.State{}, map[uuid.UUID]float64{}
	var order []uuid.UUID
	for _, cut := range c.Cuts {
		state, known := states[cut.ToolID]
		if !known {
			state, order = fresh, append(order, cut.ToolID)
		}
		depth := float64(usualDepth)
		if cut.DepthNm != nil {
			depth = length.Length(*cut.DepthNm).Micrometres()
		}
		o := reamerwear.Observation{Travel: travels[cut.ToolID], Size: length.Length(cut.SizeNm - c.SizeNm).Micrometres(), U: length.Length(cut.UNm).Micrometres()}
		if states[cut.ToolID], _, err = state.Observe(o); err != nil {
			panic(fmt.Sprintf("recommend: cut size: %v", err)) // what the table holds is finite and above zero
		}
		travels[cut.ToolID] += depth / 1e6
	}
	type law struct{ mean, shared, scatter float64 }
	var laws []law
	of := func(s reamerwear.State, travel float64) {
		l := s.CutSize(travel)
		shared, scatter := l.Shares()
		laws = append(laws, law{l.Mean(), shared, scatter})
	}
	for _, id := range order {
		of(states[id], travels[id])
	}
	for range int(c.InService) - len(order) {
		laws = append(laws, law{defaultOvercut, r.OvercutU, defaultScatter})
	}
	mean, square, scatter := 0.0, 0.0, 0.0
	for _, l := range laws {
		mean += l.mean / float64(len(laws))
	}
	for _, l := range laws {
		square += (l.shared*l.shared + (l.mean-mean)*(l.mean-mean)) / float64(len(laws))
		scatter += l.scatter * l.scatter / float64(len(laws))
	}
	r.Overcut, r.OvercutU, r.Scatter = mean+beside, math.Sqrt(square), math.Sqrt(scatter)
	assumed.add("learned_cut_size", map[string]any{"reamer": c.Code, "holes": len(c.Cuts), "overcut_um": mean, "u_um": r.OvercutU, "scatter_um": r.Scatter},
		"Reamer %s was taken to cut %.1f µm over its size, give or take %.1f µm, and %.1f µm more or less from hole to hole, as %s that it cut and that were verified tell.",
		c.Code, mean, r.OvercutU, r.Scatter, counted(len(c.Cuts), "hole"))
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// CutSizeOf is what a bore's estimate tells of the reamer that cut it, nm: its base size, without
// the form at its mouths, and that size's standard uncertainty; false where too little is known.
func CutSizeOf(e FeatureEstimate) (size, u int64, ok bool) {
	law := e.Posterior.Original
	sd := law.SD()
	if len(e.Readings) == 0 || !(sd > 0) || sd > CutFrom {
		return 0, 0, false
	}
	return int64(e.Nominal) + int64(length.FromMicrometres(law.Mean())), max(1, int64(length.FromMicrometres(sd))), true
}

// Only is what of the snapshot is about one joint, with the series that were named for it
// or else its own.
func (s *Snapshot) Only(joint uuid.UUID, named bool) *Snapshot {
	at := slices.IndexFunc(s.Joints.Items, func(j JointRow) bool { return j.ID == joint })
	if at < 0 {
		return &Snapshot{Joints: &postgres.Rows[JointRow]{}, Steps: &postgres.Rows[StepRow]{}}
	}
	out := s.of(s.Joints.Items[at])
	if named {
		out.Steps = s.Steps
	}
	out.Cutters, out.Gauges = s.Cutters, s.Gauges
	return out
}

// FormMeansOfCut are the expected means of form error of a bore that was just reamed.
func FormMeansOfCut() FormMeans {
	bell, oval, surface := cutBellMouth, cutOvality, cutSurface
	return FormMeans{&bell, &oval, &surface}
}
