package recommend

import (
	"fmt"
	"math"
	"slices"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/pressfit"
	"pinwright/internal/calc/wornsize"
)

// What is taken where a joint does not tell: common practice, no published
// source.
const (
	pilotOffset   = 10.0 // µm on radius: half the play of a pilot in its bush
	jigOffset     = 25.0
	leavesOffset  = 30.0
	hardenedHB    = 350  // from here on a reamer of high speed steel skates
	leastWall     = 1000 // µm
	wallShare     = 1.0 / 7
	seatLength    = 1.5 // diameters, of a held bore
	seatRz        = 0.006
	pressSafety   = 1.3
	brittleSafety = 2.5
	honeU         = 2 // µm, and as much from bore to bore
	honeMost      = 100
	honeLabour    = 2500 // minor units a bore
	honeFee       = 1500
	honeDays      = 10
	// A gauge turned for one question: as much as the other work of a joint.
	turningCost      = 300
	turningTolerance = 10 // µm
)

// guide lets the question's guidance stand in place of the joints' own.
func (q Question) guide(joints []JointRow) []JointRow {
	if q.Guidance == nil && q.Offset == nil {
		return joints
	}
	joints = slices.Clone(joints)
	for i := range joints {
		if q.Guidance != nil {
			joints[i].Guidance, joints[i].OffsetNm = *q.Guidance, nil
		}
		if q.Offset != nil {
			nm := int64(length.FromMicrometres(*q.Offset))
			joints[i].OffsetNm = &nm
		}
	}
	return joints
}

// offsetOf is the error of a joint's guidance on radius, µm, and whether it is a
// default.
func offsetOf(j JointRow) (offset float64, assumed bool) {
	switch choice.Guidance(j.Guidance) {
	case choice.Pilot:
		offset = pilotOffset
	case choice.Jig:
		offset = jigOffset
	case choice.LineOfLeaves:
		offset = leavesOffset
	case choice.HeldToAxis:
	default:
		return 0, false
	}
	if j.OffsetNm != nil {
		return length.Length(*j.OffsetNm).Micrometres(), false
	}
	return offset, offset > 0
}

// guided is how the reamer finds its axis in the bores of a joint.
func (o *observation) guided(j JointRow) (wornsize.Guidance, float64) {
	offset, assumed := offsetOf(j)
	if assumed {
		o.assumed.add("assumed_guidance_offset", map[string]any{"guidance": j.Guidance, "offset_um": offset},
			"A cut guided by %s was taken to lie %.0f µm off the axis (common practice, no published source).", guidanceWords[choice.Guidance(j.Guidance)], offset)
	}
	if g := choice.Guidance(j.Guidance); g == choice.Floating || g == "" {
		return wornsize.Floating, 0
	}
	return wornsize.HeldToAxis, offset
}

var guidanceWords = map[choice.Guidance]string{choice.Floating: "the bore itself", choice.HeldToAxis: "a pilot, a jig or the other leaf",
	choice.Pilot: "a pilot", choice.Jig: "a jig", choice.LineOfLeaves: "both leaves in one line"}

func (o *observation) hardened(j JointRow) bool {
	if j.HardenedBore || is(j.Boss.Material, "steel_hardened") {
		return true
	}
	if hb := j.Boss.HardnessHB; hb != nil && *hb >= hardenedHB {
		o.assumed.add("assumed_hardened", map[string]any{"position": j.Position, "hardness_hb": *hb},
			"%s: a bore of %.0f HB was taken as hardened, from %d HB on (common practice, no published source).", j.Position, *hb, hardenedHB)
		return true
	}
	return false
}

func accessOf(j JointRow) choice.Access {
	yes := func(b *bool) bool { return b != nil && *b }
	room := func(nm *int64) *float64 {
		if nm == nil {
			return nil
		}
		um := length.Length(*nm).Micrometres()
		return &um
	}
	a := j.Access
	return choice.Access{Blind: yes(a.Blind), Keyway: yes(a.Keyway), OilGroove: yes(a.OilGroove), Interrupted: yes(a.Interrupted),
		RoomBeyond: room(a.RoomBeyondNM), RoomBefore: room(a.RoomBeforeNM)}
}

// place tells the choice where the bores are and what coatings will take.
func (o *observation) place(one *choice.Joint, j JointRow) {
	one.Access, one.Guidance = accessOf(j), choice.Guidance(j.Guidance)
	one.Offset, _ = offsetOf(j)
	switch {
	case j.CoatingNm != nil:
		one.Coating = length.Length(*j.CoatingNm).Micrometres()
	case j.Coated:
		o.warnings.add("coating_not_known", map[string]any{"position": j.Position},
			"%s is coated, and what the coating takes from the clearance is not known: set the joint's coating.", j.Position)
	}
}

// walls tells what must be left of the boss.
func (o *observation) walls(one *choice.Joint, j JointRow) {
	if j.Boss.OuterNM == nil {
		o.assumed.add("wall_not_judged", nil, "The wall that is left around a larger bore was not judged, since the boss's diameter is not known: look whether it bears the next size.")
		return
	}
	one.BossDiameter = (length.Length(*j.Boss.OuterNM) - o.nominal).Micrometres()
	if w := j.Boss.MinimumWallNM; w != nil {
		one.MinimumWall = math.Max(1, length.Length(*w).Micrometres())
		return
	}
	one.MinimumWall = math.Max(leastWall, o.nominal.Micrometres()*wallShare)
	o.assumed.add("assumed_minimum_wall", map[string]any{"position": j.Position, "wall_um": one.MinimumWall},
		"At least a seventh of the bore, and 1 mm, was taken to have to be left of the boss (common practice, no published source).")
}

// honing offers a workshop's hone where a reamer must not go for hardness.
func (o *observation) honing(one *choice.Joint) {
	if !slices.Contains(one.Facts, choice.HardenedBore) {
		return
	}
	one.Hone = &choice.Hone{Code: "honing", U: honeU, Scatter: honeU, MaxStock: honeMost, LabourMinor: honeLabour, FeeMinor: honeFee, WaitDays: honeDays, Available: true}
	o.assumed.add("assumed_honing", map[string]any{"bore_minor": honeLabour, "visit_minor": honeFee, "days": honeDays, "most_um": honeMost},
		"A workshop was taken to hone to the pin in hand within %d µm, up to %d µm at a visit; its price and days were taken from defaults (common practice, no published source).", honeU, honeMost)
}

// held tells the choice what the metal about the held bores stands.
func (o *observation) held(one *choice.Joint, j JointRow, rows []StepRow) {
	if len(one.Held) == 0 {
		return
	}
	for _, s := range rows {
		if s.HeldSurface != nil && *s.HeldSurface != "plain" {
			one.Hub = &choice.Hub{NoLaw: fmt.Sprintf("A %s pin cuts its own seat: no ring formula tells its force. Go by its size over the crests and by pins pressed in before.", *s.HeldSurface)}
			return
		}
	}
	if is(j.Boss.Kind, "rolled_eye") {
		one.Hub = &choice.Hub{NoLaw: "An eye rolled from strip with an open seam only bends open: no ring formula tells what it stands. Fit it by feel, and have it closed first if the pin goes in by hand."}
		return
	}
	if j.Boss.OuterNM == nil {
		o.assumed.add("press_not_judged", nil, "What pressing the pin in takes, and whether the metal stands it, was not judged, since the boss's diameter is not known.")
		return
	}
	hub, err := o.hub(one, j)
	if err != nil {
		o.warnings.add("press_not_judged", map[string]any{"position": j.Position}, "%s: what pressing the pin in takes was not judged: %v.", j.Position, err)
		return
	}
	one.Hub = hub
	most, where := hub.Law.Elastic, "where the metal yields"
	if hub.Law.HubBrittle() { // it would crack without a warning
		most, where = hub.Law.Allowed, "which the metal stands with a margin"
	}
	if !math.IsInf(most, 1) {
		one.HeldTarget = &choice.Interval{Low: hub.Lost, High: hub.Lost + most*1000}
		o.assumed.add("assumed_interference", map[string]any{"position": j.Position, "low_um": one.HeldTarget.Low, "high_um": one.HeldTarget.High},
			"%s: the held bore was taken to be right from %.0f µm of interference, where it begins to grip, to %.0f µm, %s (Lamé; DIN 7190 for what roughness takes).", j.Position, one.HeldTarget.Low, one.HeldTarget.High, where)
	}
}

// hub is the elastic law of one held bore with its pin.
func (o *observation) hub(one *choice.Joint, j JointRow) (*choice.Hub, error) {
	name := "steel_mild"
	if j.Boss.Material != nil {
		name = *j.Boss.Material
	} else {
		o.assumed.add("assumed_boss_material", map[string]any{"position": j.Position}, "%s: the boss was taken to be of mild steel.", j.Position)
	}
	material, err := pressfit.ByName(name)
	if err != nil {
		return nil, err
	}
	pin, err := pressfit.ByName("steel_mild")
	if err != nil {
		return nil, err
	}
	o.assumed.add("assumed_pin_material", nil, "Pins were taken to be of mild steel, solid, dry and pressed in the length of the bore.")
	d := o.nominal.Micrometres() / 1000
	long := 0.0
	for _, i := range one.Held {
		if nm := o.features[i].LengthNm; nm != nil {
			long = math.Max(long, length.Length(*nm).Micrometres()/1000)
		}
	}
	if long == 0 {
		long = seatLength * d
		o.assumed.add("assumed_seat_length", map[string]any{"position": j.Position, "length_mm": long}, "%s: the held bore was taken to be one and a half diameters long (common practice, no published source).", j.Position)
	}
	safety := pressSafety
	if material.Brittle {
		safety = brittleSafety
	}
	law, err := pressfit.PerMicrometre(pressfit.Part{Material: pin}, pressfit.Part{Outer: length.Length(*j.Boss.OuterNM).Micrometres() / 1000, Material: material}, d, long, pressfit.Dry, safety)
	if err != nil {
		return nil, err
	}
	lost, err := pressfit.Loss(seatRz, seatRz, pressfit.LossDIN7190of2017)
	if err != nil {
		return nil, err
	}
	o.assumed.add("assumed_roughness", map[string]any{"rz_um": seatRz * 1000}, "Both faces of a press fit were taken to be of Rz %.0f µm (common practice, no published source).", seatRz*1000)
	return &choice.Hub{Law: law, Lost: lost * 1000}, nil
}

// ofPractice says which rules of the trade closed options: none of them is
// published.
func (a *Answer) ofPractice(assumed *remarks) {
	reamer := []string{"taper_lead_in_blind_bore", "no_room_beyond", "no_access", "straight_flutes_cross_groove", "reamer_has_no_pilot"}
	for j, list := range a.Choice.Options {
		for _, o := range list {
			for _, r := range o.Reasons {
				switch {
				case slices.Contains(reamer, r.Code):
					assumed.add("assumed_reamer_rules", nil, "Which reamer suits a blind or crossed bore, and what room it needs, was taken from common practice (no published source).")
				case slices.Contains(a.Problem.Joints[j].Facts, choice.Fact(r.Code)) && choice.Fact(r.Code) != choice.Coated:
					assumed.add("assumed_fact_rules", nil, "What was seen on a part closes what it closes by common practice (no published source).")
				}
			}
		}
		if a.Problem.Joints[j].Access.Interrupted {
			assumed.add("assumed_interrupted_cut", nil, "Where a cut leaves the metal and enters it again, a reamer without spiral flutes was taken to scatter half as much again (common practice, no published source).")
		}
	}
}
