package recommend

import (
	"math"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/wornsize"
)

func asked(t *testing.T, s *Snapshot, q Question) *Answer {
	t.Helper()
	a, err := Decide(s, q, time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func says(list []Remark, code string) bool {
	for _, r := range list {
		if r.Code == code {
			return true
		}
	}
	return false
}

func TestGuidanceGivesItsOffset(t *testing.T) {
	t.Parallel()
	nm := int64(7000)
	for _, c := range []struct {
		guidance string
		own      *int64
		offset   float64
		kind     wornsize.Guidance
		said     bool
	}{
		{"", nil, 0, wornsize.Floating, false},
		{"floating", nil, 0, wornsize.Floating, false},
		{"held_to_axis", nil, 0, wornsize.HeldToAxis, false},
		{"pilot", nil, pilotOffset, wornsize.HeldToAxis, true},
		{"jig", nil, jigOffset, wornsize.HeldToAxis, true},
		{"line_of_leaves", nil, leavesOffset, wornsize.HeldToAxis, true},
		{"line_of_leaves", &nm, 7, wornsize.HeldToAxis, false},
		{"held_to_axis", &nm, 7, wornsize.HeldToAxis, false},
	} {
		var o observation
		kind, offset := o.guided(JointRow{Guidance: c.guidance, OffsetNm: c.own})
		if kind != c.kind || offset != c.offset || says(o.assumed.list, "assumed_guidance_offset") != c.said {
			t.Errorf("%q: %v, %v µm, %v", c.guidance, kind, offset, o.assumed.list)
		}
	}
}

// A guidance asked for stands in place of the joints' own, and what is held to
// the axis cleans up less surely than what floats, the less the further off.
func TestGuidanceAskedForIsThatOfAllJoints(t *testing.T) {
	t.Parallel()
	clean := func(guidance string, offset float64) float64 {
		q := ask
		q.Guidance = &guidance
		if offset > 0 {
			q.Offset = &offset
		}
		for _, o := range asked(t, fourHinges(0), q).Choice.Options[1] {
			if o.Kind == choice.ReamTo && o.Step == 1 {
				return o.CleanUp
			}
		}
		t.Fatal("no step to ream")
		return 0
	}
	floating, held, off := clean("floating", 0), clean("held_to_axis", 0), clean("jig", 30)
	if !(floating > held && held > off) {
		t.Errorf("floating %.4f, held %.4f, 30 µm off %.4f", floating, held, off)
	}
}

// Of two reamers of a size the one is taken that suits the place.
func TestTheReamerThatSuitsThePlaceIsTaken(t *testing.T) {
	t.Parallel()
	s := fourHinges(0)
	straight, spiral, hand, yes := "straight", "spiral", "hand_taper", true
	first := s.Cutters.Items[0]
	first.Build.Flutes, first.Build.Lead = &straight, &hand
	second := first
	second.ModelID, second.Code, second.Build.Flutes = uuid.UUID{15: 45}, "spiral-reamer", &spiral
	third := first
	third.ModelID, third.Code, third.Build.Flutes, third.Build.Expansion = uuid.UUID{15: 46}, "expansion-reamer", &straight, &yes
	s.Cutters.Items[0] = first
	s.Cutters.Items = append(s.Cutters.Items, second, third)
	var said remarks
	taken := func() *choice.Reamer {
		return steps(s.Steps.Items, s.Cutters.Items, s.Joints.Items, 9_000_000, func(CutterRow) int { return 0 }, &said)[1].Reamer
	}
	if r := taken(); r.Code != first.Code || r.MaxCut != handMost {
		t.Errorf("nothing speaks against the first: %+v", r)
	}
	s.Joints.Items[2].Access.Keyway = &yes
	if r := taken(); r.Code != "spiral-reamer" || !says(said.list, "assumed_reaming_allowance") {
		t.Errorf("over a keyway: %+v", r)
	}
	s.Cutters.Items = []CutterRow{third}
	if r := taken(); r.MaxCut != expansionMost || math.Abs(r.OvercutU-math.Hypot(defaultOvercutU, expansionU)) > 1e-9 {
		t.Errorf("an expansion reamer: %+v", r)
	}
}
