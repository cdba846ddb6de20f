package recommend

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/cutting"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
)

// What form a bore has that was just reamed, µm on average (common practice, no published source).
const cutBellMouth, cutOvality, cutSurface = 4.0, 3.0, 1.0

// CutFrom is the standard deviation from which on a size is too little known to tell of the
// reamer that cut it, µm.
const CutFrom = 15

// LearnedCut is what is known of one reamer in service: its next hole, µm over the marked size.
type LearnedCut struct {
	ToolID  uuid.UUID `json:"tool_id"`
	Seen    int       `json:"seen"` // verified holes and checks
	Holes   int       `json:"holes"`
	Mean    float64   `json:"mean"`
	Shared  float64   `json:"shared"`
	Scatter float64   `json:"scatter"`
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

// learn tells of each model what its reamers in service were seen to cut: the very law that package cutting
// answers with of each of them.
func learn(cutters []CutterRow, known *cutting.Known) {
	for _, r := range known.Reamers(cutting.Ask{}) {
		life := r.Now()
		if life.Seen() == 0 && life.Holes == 0 {
			continue
		}
		law := life.Next()
		shared, scatter := law.Shares()
		for i := range cutters {
			if cutters[i].ModelID == r.ModelID {
				cutters[i].Learned = append(cutters[i].Learned, LearnedCut{r.ToolID, life.Seen(), life.Holes, law.Mean(), shared, scatter})
			}
		}
	}
}

// learned makes what is known of a model's reamers the law of the next hole: with several in service any of them
// may be the one that is lent. The model lies so many micrometres beside the size that the step names.
func learned(r *choice.Reamer, c CutterRow, beside float64, assumed *remarks) {
	if len(c.Learned) == 0 {
		return
	}
	laws, seen := slices.Clone(c.Learned), 0
	for range int(c.InService) - len(laws) {
		laws = append(laws, LearnedCut{Mean: defaultOvercut, Shared: r.OvercutU, Scatter: defaultScatter})
	}
	mean, square, scatter := 0.0, 0.0, 0.0
	for _, l := range laws {
		mean += l.Mean / float64(len(laws))
		seen += l.Seen
	}
	for _, l := range laws {
		square += (l.Shared*l.Shared + (l.Mean-mean)*(l.Mean-mean)) / float64(len(laws))
		scatter += l.Scatter * l.Scatter / float64(len(laws))
	}
	r.Overcut, r.OvercutU, r.Scatter = mean+beside, math.Sqrt(square), math.Sqrt(scatter)
	by := "as its uses tell, none of which was verified"
	if seen > 0 {
		by = "as " + counted(seen, "verified hole or check", "verified holes and checks") + " of it tell"
	}
	assumed.add("learned_cut_size", map[string]any{"reamer": c.Code, "holes": seen, "overcut_um": mean, "u_um": r.OvercutU, "scatter_um": r.Scatter},
		"Reamer %s was taken to cut %.1f µm over its size, give or take %.1f µm, and %.1f µm more or less from hole to hole, %s.",
		c.Code, mean, r.OvercutU, r.Scatter, by)
}

func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
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
	out.Cutters, out.Cutting, out.Gauges = s.Cutters, s.Cutting, s.Gauges
	return out
}

// FormMeansOfCut are the expected means of form error of a bore that was just reamed.
func FormMeansOfCut() FormMeans {
	bell, oval, surface := cutBellMouth, cutOvality, cutSurface
	return FormMeans{&bell, &oval, &surface}
}
