package verification

import (
	"fmt"
	"strings"

	"pinwright/internal/calc/length"
	"pinwright/internal/recommend"
)

var kindWords = map[string]string{FitRefused: "the fit is refused", ReamerBroken: "a reamer broke", ChipJam: "chips jammed", TornFinish: "the finish is torn",
	OversizeCut: "it was cut too large", Other: "something is wrong"}

// Words tells a kind of nonconformity.
func Words(kind string) string { return kindWords[kind] }

// advice is what to do at once, by kind. Common practice, no published source.
var advice = map[string][]string{
	FitRefused: {"Do not drive the pin in: a tight one seizes, a loose one wears the bore.",
		"Read the bore once more before metal is taken: with another instrument, at both mouths and in the middle."},
	ReamerBroken: {"Stop. Eye protection stays on: hardened steel splinters, and pieces under strain fly.",
		"Turn what is left forward, never back, while drawing it out; a stuck piece comes out by penetrant and patience, or from the far side with a drift of soft metal. Do not hammer on hardened steel.",
		"Look at the bore with a lamp for pieces and scores before anything else goes in, and report the tool to its keeper."},
	ChipJam: {"Stop turning. Draw the reamer out while turning it forward, never back: chips wedged behind the edges score the bore.",
		"Clear flutes and bore with a brush, not with fingers or compressed air; oil both, and take less at a time.",
		"If it jams again, look whether the bore is clean of rust and the leaves are in line."},
	TornFinish: {"Stop and look at the edges with a glass: a built-up or nicked edge tears. Have the reamer's keeper look at it.",
		"Use cutting oil for the metal at hand, turn evenly and slower, and leave less to cut: at least what cleans up, no more than the reamer may take."},
	OversizeCut: {"Read the bore again at both mouths and in the middle before deciding: a chip under the gauge reads large.",
		"Look for why before the next bore is cut: a reamer that is bent, held askew, or larger than it is marked."},
	Other: {"Say in a few words what is wrong, and add a photo of it to the joint."},
}

// Advice is what to do about a nonconformity.
func (n Nonconformity) Advice(safetyCritical bool) []recommend.Remark {
	var out []recommend.Remark
	if safetyCritical {
		out = append(out, recommend.Remark{Code: "advice_not_approval", Text: recommend.SafetyNote})
	}
	for i, text := range advice[n.Kind] {
		out = append(out, recommend.Remark{Code: fmt.Sprintf("%s_%d", n.Kind, i+1), Text: text + " (Common practice, no published source.)"})
	}
	return out
}

// Summary tells how n stands.
func (n Nonconformity) Summary() string {
	text := n.Position + ": " + Words(n.Kind)
	chosen := ""
	if n.Chosen != nil {
		chosen = strings.ReplaceAll(*n.Chosen, "_", " ")
		if n.Step != nil {
			chosen += " " + *n.Step
		}
	}
	switch {
	case n.ProvedBy != nil:
		return text + "; settled, since the fit was proved."
	case n.ClosedAt != nil:
		return text + "; decided: " + chosen + "."
	case n.DecidedAt != nil:
		return text + "; decided: " + chosen + ". It stays open until the fit is proved."
	}
	return text + "; what is done about it is not decided yet."
}

// DoNext tells what n waits for.
func (n Nonconformity) DoNext() []recommend.Remark {
	switch n.State() {
	case Open:
		return []recommend.Remark{{Code: "decide", Text: "Choose one of the options and post it to decide."}}
	case Decided:
		return []recommend.Remark{{Code: "prove", Text: "Do that, read each bore again (stage reamed) and verify the joint."}}
	}
	return nil
}

// Summary is the verdict in a sentence; lengths in unit.
func (v Verification) Summary(unit length.Unit) string {
	worst := v.Content.Bores[0]
	for _, b := range v.Content.Bores {
		if b.Conforming < worst.Conforming {
			worst = b
		}
	}
	low, high := length.FromMicrometres(v.Content.Low), length.FromMicrometres(v.Content.High)
	target := low.Text(unit) + " to " + high.Text(unit)
	text := map[string]string{"proved": "proved", "refused": "refused", "undecided": "neither proved nor refused"}[v.Verdict]
	side := ""
	if v.Verdict != "proved" {
		side = " (too tight with " + percent(worst.TooTight) + ", too loose with " + percent(worst.TooLoose) + ")"
	}
	out := fmt.Sprintf("%s: a clearance of %s with the %s pin is %s at a risk of %s; bore %s fits with %s%s.", v.Position, target, v.Content.Step, text, percent(v.Risk), worst.Code, percent(worst.Conforming), side)
	if v.Content.SafetyCritical {
		out = recommend.SafetyNote + " " + out
	}
	return out
}

// DoNext tells what decides an undecided fit, or follows from another.
func (v Verification) DoNext(unit length.Unit) []recommend.Remark {
	switch v.Verdict {
	case "proved":
		return []recommend.Remark{{Code: "go_on", Text: "Protect the bores from rust and go on with the next step."}}
	case "refused":
		return []recommend.Remark{{Code: "decide", Text: "Do not press the pin in. A nonconformity is open: decide what is done."}}
	}
	var out []recommend.Remark
	for _, b := range v.Content.Bores {
		size := func(um float64) string {
			return length.FromMicrometres(um).Rounded(unit, map[length.Unit]int{length.Millimetre: 4, length.Micrometre: 1, length.Inch: 5, length.Thou: 2}[unit])
		}
		if b.Go != nil {
			out = append(out, recommend.Remark{Code: "try_go_pin", Params: map[string]any{"feature": b.Code, "size_um": b.Go.Size, "goes": b.Go.Goes},
				Text: fmt.Sprintf("%s: try a go pin of %s, over its full length. It goes in with %s as far as is known; if it does, the fit is not too tight. Post what it does with stage reamed.", b.Code, size(b.Go.Size), percent(b.Go.Goes))})
		}
		if b.NoGo != nil {
			out = append(out, recommend.Remark{Code: "try_no_go_pin", Params: map[string]any{"feature": b.Code, "size_um": b.NoGo.Size, "goes": b.NoGo.Goes},
				Text: fmt.Sprintf("%s: try a no-go pin of %s at both mouths. It goes in with %s as far as is known; if it does not, the fit is not too loose. Post what it does with stage reamed.", b.Code, size(b.NoGo.Size), percent(b.NoGo.Goes))})
		}
		if b.Go == nil && b.NoGo == nil && b.Verdict == "undecided" {
			out = append(out, recommend.Remark{Code: "measure_the_pin", Params: map[string]any{"feature": b.Code}, Text: b.Code + ": measure the pin and give its size with the next verification; with the series' limits alone this target cannot be proved."})
		}
	}
	if len(out) == 0 { // each bore is proved, but not all together
		out = append(out, recommend.Remark{Code: "read_again", Text: "Each bore is right by itself, but not all together at this risk: read the doubtful ones once more."})
	}
	return out
}

func percent(p float64) string {
	switch {
	case p > 0.999:
		return "over 99.9 %"
	case p < 0.001:
		return "under 0.1 %"
	case p > 0.99 || p < 0.1:
		return fmt.Sprintf("%.1f %%", 100*p)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
