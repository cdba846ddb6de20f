package choice

import (
	"fmt"
	"math"

	"pinwright/internal/calc/conformity"
)

var sqrt3 = math.Sqrt(3)

// shut closes an option for a reason.
func (b *bench) shut(o *Option, r Reason) {
	o.Open = false
	o.Reasons = append(o.Reasons, r)
}

func (b *bench) needPin(o *Option, s int) {
	if !b.series[s].Available {
		b.shut(o, Reason{Code: "pin_not_available", Text: fmt.Sprintf("The %s pin cannot be had.", b.series[s].Code)})
	}
}

func (b *bench) needReamer(o *Option, r Reamer) {
	if !r.Available {
		b.shut(o, Reason{Code: "reamer_not_available", Text: fmt.Sprintf("Reamer %s cannot be had.", r.Code)})
	}
}

// forbid applies the facts seen on the joint, in the order they were given.
func (b *bench) forbid(o *Option, forbids func(factRule) bool) {
	for _, f := range b.joint.Facts {
		rule := factRules[f]
		if forbids(rule) {
			b.shut(o, Reason{Code: string(f), Text: rule.text})
		}
	}
}

// wall fills the wall left about a hole and closes the option when it is less
// than the minimum. The wall is judged at the mean hole.
func (b *bench) wall(o *Option, hole float64) {
	if b.joint.MinimumWall <= 0 {
		return
	}
	left := (b.joint.BossDiameter - hole) / 2
	o.WallLeft = &left
	if left < b.joint.MinimumWall {
		b.shut(o, Reason{
			Code:   "wall_too_thin",
			Params: []Param{{"wall_left", left, "um"}, {"minimum", b.joint.MinimumWall, "um"}},
			Text:   fmt.Sprintf("Only %.0f µm of wall would be left; at least %.0f µm are needed.", left, b.joint.MinimumWall),
		})
	}
}

// notable is the probability from which a hazard of cutting is worth a reason.
const notable = 0.05

// finish gives the verdict, the loss of the joint alone and the reasons that
// follow from the numbers.
func (b *bench) finish(o *Option) {
	verdict, err := conformity.DecideProbability(o.Success, b.risk)
	if err != nil {
		panic("choice: " + err.Error()) // the risk was checked, a probability is clamped
	}
	o.Verdict = verdict
	o.Loss = b.alone(*o)
	add := func(code, text string, p ...Param) {
		o.Reasons = append(o.Reasons, Reason{code, p, text})
	}
	if !meets(o.CleanUp, b.risk) {
		add("may_not_clean_up", fmt.Sprintf("The cut cleans up every running bore with probability %.2f only.", o.CleanUp),
			Param{"clean_up", o.CleanUp, "1"})
	}
	if o.Clearance != nil && !meets(o.InTarget, b.risk) {
		grip := ""
		if len(b.joint.Held) > 0 && b.joint.HeldTarget != nil {
			grip = " and every held bore grips as it should"
		}
		add("clearance_not_sure", fmt.Sprintf("The clearance lies within %.0f to %.0f µm%s with probability %.2f only.",
			b.joint.Target.Low, b.joint.Target.High, grip, o.InTarget),
			Param{"in_target", o.InTarget, "1"}, Param{"low", b.joint.Target.Low, "um"}, Param{"high", b.joint.Target.High, "um"})
	}
	if o.TooLittle > notable {
		add("too_little_to_cut", fmt.Sprintf("With probability %.2f a bore leaves too little to cut and the reamer only rubs.", o.TooLittle),
			Param{"probability", o.TooLittle, "1"})
	}
	if o.TooMuch > notable {
		text := fmt.Sprintf("With probability %.2f a bore needs a smaller cut first.", o.TooMuch)
		if o.Kind == HoneTo {
			text = fmt.Sprintf("With probability %.2f there is more to take than is honed in one visit.", o.TooMuch)
		}
		add("too_much_for_one_pass", text, Param{"probability", o.TooMuch, "1"})
	}
	b.press(o)
	if o.StepsLeft == 0 && (o.Kind == ReamTo || o.Kind == CutSmallerAndLook || o.Kind == HoneTo) {
		add("last_step", "This is the last step of the ladder: the next repair needs a bush or a new part.")
	}
	if b.joint.Coating > 0 && o.Kind != ReplacePart {
		add(string(Coated), factRules[Coated].text, Param{"coating", b.joint.Coating, "um"})
	}
}

// meets says whether success p keeps the risk; as conformity decides it.
func meets(p, risk float64) bool { return 1-p <= risk }

// alone adds tools and waiting as if the joint stood alone.
func (b *bench) alone(o Option) Loss {
	l := o.own
	l.Waiting = b.losses.WaitingDay * float64(o.Days)
	l.Tools = toolCost(b.series, o.uses)
	return l
}

// toolCost adds what the reamers of a set cost once each.
func toolCost(series []Step, uses uint64) float64 {
	sum := 0.0
	for s, step := range series {
		if uses&(1<<s) != 0 {
			sum += float64(step.Reamer.BorrowMinor)
		}
		if uses&(1<<(32+s)) != 0 {
			sum += float64(step.HeldReamer.BorrowMinor)
		}
	}
	return sum
}
