package gaugestudy

import (
	"fmt"
	"math"

	"pinwright/internal/calc/uncertainty"
)

// Form says what the parts' own form error does to the repeatability.
type Form struct {
	Marked bool
	// Inflation is the standard deviation in micrometres that a direction at random
	// adds; nil when the place was marked or the form error is not known.
	Inflation *float64
	// Removed is the repeatability without it, 0 at least; nil likewise.
	Removed *float64
}

// form takes the form error out of the repeatability: a diameter across a direction
// at random of a part of ovality w has the arcsine law on an interval of
// width w, of variance w²/8 (JCGM 101:2008, 6.4.6, for the law).
func (s Study) form(repeatability Component) Form {
	out := Form{Marked: s.PositionsMarked}
	if s.PositionsMarked || s.FormError == nil {
		return out
	}
	inflation := *s.FormError / math.Sqrt(8)
	removed := root(repeatability.Variance - square(inflation))
	out.Inflation, out.Removed = &inflation, &removed
	return out
}

// Codes of the notes.
const (
	FormInRepeatability = "form_in_repeatability"
	FormTakenOut        = "form_taken_out"
	FormExceeds         = "form_exceeds_repeatability"
	OnePerson           = "one_person"
	OnePart             = "one_part"
	SetToZero           = "component_set_to_zero"
	RepeatsAlike        = "repeats_all_alike"
	InteractionPooled   = "interaction_pooled"
	InteractionKept     = "interaction_kept"
	FewPeople           = "few_people"
)

func (r *Result) notes(s Study) {
	note := func(code, format string, args ...any) {
		r.Notes = append(r.Notes, uncertainty.Remark{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	m := r.Counting()
	switch f := r.Form; {
	case f.Marked:
	case f.Inflation == nil:
		note(FormInRepeatability, "The places to read were not marked, so the parts' own form error is in the repeatability, by how much is not known. Mark them and read again, or state the form error.")
	case *f.Removed == 0:
		note(FormExceeds, "The places to read were not marked, and a form error of %.3g µm accounts for all of the repeatability (%.3g of %.3g µm): this study cannot see the instrument. Mark the places and read again.", *s.FormError, *f.Inflation, m.Repeatability.SD)
	default:
		note(FormTakenOut, "The places to read were not marked: of the repeatability %.3g µm, a form error of %.3g µm read across directions at random makes %.3g µm; the instrument's own is %.3g µm.", m.Repeatability.SD, *s.FormError, *f.Inflation, *f.Removed)
	}
	if i := r.Crossed.Table.Interaction; i.DoF > 0 {
		if r.Pooled {
			note(InteractionPooled, "That people differ on some parts more than on others is not significant (probability %.3g, over %.3g), so it was pooled with the repeats.", probability(i), r.PoolAbove)
		} else {
			note(InteractionKept, "People differ on some parts more than on others (probability %.3g, not over %.3g); look for how those parts are held or where they are read.", probability(i), r.PoolAbove)
		}
	}
	switch {
	case r.NPeople == 1:
		note(OnePerson, "One person took part: how much people differ is not known, and is in none of the numbers.")
	case r.NPeople < 5:
		note(FewPeople, "%d people say little of how much people differ; see the interval.", r.NPeople)
	}
	if r.NParts == 1 {
		note(OnePart, "One part was read: how much parts differ is not known, so there are no shares of the total.")
	}
	if m.Repeatability.SD == 0 {
		note(RepeatsAlike, "Repeats never differ: the instrument's step is too coarse for this study to see how it repeats.")
	}
	for _, c := range []struct {
		name string
		of   *Component
	}{{"difference between people", m.People}, {"interaction", m.Interaction}, {"difference between parts", m.Parts}} {
		if c.of != nil && c.of.Below {
			note(SetToZero, "The variance of the %s came out below zero (%.3g µm²) and was set to zero: it is too small for this study to see.", c.name, c.of.Estimate)
		}
	}
}

// probability is that of the row's test; without one nothing but chance could be less.
func probability(r Row) float64 {
	if !r.Tested && r.MeanSquare == 0 {
		return 1
	}
	return r.P
}
