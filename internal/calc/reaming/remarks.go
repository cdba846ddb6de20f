package reaming

const (
	oilOrDry = "Applied Science for Metal Workers, 313 (oil for steel, none for cast iron and brass)"
	army     = "TM 1-1500-204-23-9, 4-14"
)

// coolantFor says what to cut with.
func coolantFor(w Work) Remark {
	switch w {
	case "grey_cast_iron":
		return Remark{"dry", "Ream dry; blow no chips about, brush or draw them off.", oilOrDry}
	case "brass":
		return Remark{"dry", "Ream dry.", oilOrDry}
	case "malleable_iron", "ductile_iron":
		return Remark{"dry_or_soluble_oil", "Ream dry or with soluble oil.", practice}
	case "bronze":
		return Remark{"light_oil", "Light oil, or dry.", practice}
	case "wrought_aluminium", "cast_aluminium":
		return Remark{"light_oil", "Light oil or paraffin (kerosene), little of it: both burn.", practice}
	case "free_cutting_stainless_steel", "austenitic_stainless_steel", "martensitic_stainless_steel":
		return Remark{"sulphurised_oil", "Sulphurised cutting oil, plenty; keep the feed on, or the wall hardens under the edge.", practice}
	}
	return Remark{"cutting_oil", "Cutting oil, or soluble oil by machine.", oilOrDry + "; which oil: " + practice}
}

// remarks adds how to go about it and what to beware of.
func (a *Advice) remarks() {
	q := a.Question
	a.Technique = append(a.Technique,
		Remark{"forward_only", "Turn forward only, also on the way out: turned backwards a reamer dulls and drags chips between land and wall.", army},
		Remark{"square_start", "Start square to the face, or on the old bore's axis where it must keep it; a reamer follows the hole it finds.", practice},
		Remark{"clear_chips", "Clear the flutes often; a packed flute scores the wall.", practice},
		Remark{"test_hole", "Ream a test hole in the same material and measure it: reamers rarely cut exactly their own size.", "Manual Reaming, a trainees' handbook of lessons"})
	switch q.Drive {
	case Hand:
		a.Technique = append(a.Technique, Remark{"hand_pressure", "Turn with a tap wrench at both ends, steadily, with light pressure; the reamer's lead draws it in.", "Applied Science for Metal Workers, 313"})
	case HandDrill:
		a.Technique = append(a.Technique, Remark{"not_by_hand_drill", "A hand drill tilts and leaves the mouth wide: better by hand, guided by a bush.", practice})
	}
	if q.Tool == Carbide && !q.Drive.machine() {
		a.warn("carbide_breaks", "Carbide chips when it is tilted: use a reamer of high-speed steel by hand or hand drill.")
	}
	a.Cautions = append(a.Cautions, Remark{"eye_protection", "Wear eye protection.", practice})
	if q.Drive != Hand {
		a.Cautions = append(a.Cautions,
			Remark{"no_gloves", "No gloves, loose sleeves, rings or loose hair near a turning spindle.", practice},
			Remark{"clamp_work", "Clamp the work: a reamer that grabs spins it.", practice},
			Remark{"stop_to_clear", "Stop the spindle before clearing chips or measuring; a brush, not fingers.", practice})
	}
	if q.Drive == HandDrill {
		a.Cautions = append(a.Cautions, Remark{"drill_torque", "Hold the drill with both hands by its side handle: it may twist out of them.", practice})
	}
	if light(q.Work) {
		a.Cautions = append(a.Cautions, Remark{"oil_burns", "Keep flames and sparks from oil, paraffin and oily rags.", practice})
	}
	a.Cautions = append(a.Cautions, Remark{"advice_not_approval",
		"This is advice, not approval: for steering, brake, suspension or seat joints the maker's limits, local codes and a licensed inspection come first.", practice})
}
