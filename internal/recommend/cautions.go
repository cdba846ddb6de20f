package recommend

import (
	"maps"
	"slices"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/pressfit"
)

// cautionTexts are the usual cautions of a workshop; common practice, no
// published source.
var cautionTexts = map[string]string{
	"heat":          "Heat: no open flame near fuel, upholstery or penetrant; have an extinguisher at hand and let parts cool before you touch them.",
	"penetrant":     "Penetrant: it burns and its vapour does you no good; ventilate, wear gloves, no flame or spark nearby.",
	"acid":          "Acid: protect eyes and skin, ventilate, add acid to water and never the other way, neutralise, and dispose of it by local rules.",
	"striking":      "Striking: hardened pins and drifts splinter; wear eye protection and let nobody stand in line.",
	"spring_load":   "Springs: release or hold the load before the pin comes out.",
	"door_weight":   "Door weight: support the door before the pin leaves; it drops at once.",
	"rotating_tool": "Turning tools: no gloves, no loose sleeves or hair, clamp the work, wear eye protection.",
	"blasting_dust": "Blasting: wear a respirator made for the dust, not just a mask.",
	"pressing":      "Pressing: wear eye protection, stand aside of the line of force, support the part square beneath the boss, and stop when the force rises more than expected; hardened pins burst.",
	"lifting":       "Lifting: stands that bear the load, on firm ground; never work under a jack.",
}

// SafetyNote is what an answer about a safety-critical joint says first, in its
// body.
const SafetyNote = "This joint steers, brakes, carries the suspension or a seat: this answer is advice, not approval. The maker's limits, local codes and a licensed inspection come first."

// CautionsOf are the texts of cautions, by code, each once.
func CautionsOf(codes ...string) []Remark {
	var out []Remark
	for _, c := range slices.Compact(slices.Sorted(slices.Values(codes))) {
		if text, ok := cautionTexts[c]; ok {
			out = append(out, Remark{Code: c, Text: text})
		}
	}
	return out
}

// Cautions are those of the answer's joints and of the cutting it advises.
func (a *Answer) Cautions() []Remark {
	var out []Remark
	codes := map[string]bool{}
	for j, row := range a.Joints {
		if row.SafetyCritical && !codes["advice_not_approval"] {
			codes["advice_not_approval"] = true
			out = append(out, Remark{Code: "advice_not_approval", Text: SafetyNote})
		}
		for _, c := range row.Cautions {
			codes[c] = true
		}
		if o := a.Option(a.Choice.Chosen, j); o != nil && o.Rank > 0 {
			codes["rotating_tool"] = true
		}
		if o := a.Option(a.Choice.Chosen, j); o != nil && (o.Press != nil || o.Kind == choice.BushBack || o.Interference != nil && o.Interference.High > 0) {
			codes["pressing"] = true
			if o.Press != nil && o.Press.Hand != pressfit.Yes { // the boss is often heated then
				codes["heat"] = true
			}
		}
	}
	delete(codes, "advice_not_approval")
	return append(out, CautionsOf(slices.Collect(maps.Keys(codes))...)...)
}

// SafetyCritical reports whether one of the joints is.
func (a *Answer) SafetyCritical() bool {
	return slices.ContainsFunc(a.Joints, func(j JointRow) bool { return j.SafetyCritical })
}
