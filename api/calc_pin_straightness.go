package api

import (
	"errors"
	"fmt"
	"math"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/straightness"
	"pinwright/internal/problem"
)

// CalcPinStraightness implements the contract.
func (s *Server) CalcPinStraightness(c echo.Context, params CalcPinStraightnessParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[PinStraightnessIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		b := &bentPin{}
		r, err := b.work(ask)
		if err != nil {
			return answer{}, err
		}
		sent := b.sent
		unit := shownIn(sent, params.Units).Unit()
		out := PinStraightnessOut{Largest: mmOut(r.Largest, unit), Smallest: mmOut(r.Smallest, unit), VirtualSize: mmOut(r.Virtual.Value, unit), VirtualSizeU: mmOut(r.Virtual.U, unit),
			BendAdds: mmOut(r.Bow, unit), Step: mmOut(r.Step, unit), Source: "Taylor's principle (ISO 286-1, envelope); virtual condition (ISO 2692); JCGM 100"}
		if b.bore != nil {
			out.Clearance = pointerTo(mmOut(b.bore.Value-r.Virtual.Value, unit))
			out.PassesProbability = pointerTo(probabilityOut(r.Passes(*b.bore)))
		}
		out.Explanation = explained(params.Explain, func() []derivation.Step { return r.Derivation(b.bore) })
		b.advise(&out, r, or(ask.Hardened, false))
		out.Warnings, out.Cautions, out.Assumed = textsOut(b.warnings), textsOut(b.cautions), textsOut(b.assumed)
		return ok(out), nil
	})
}

type bentPin struct {
	workpiece
	sent length.Quantity // a size as it was sent, for its unit
	bore *straightness.Estimate
}

func (b *bentPin) work(ask PinStraightnessIn) (straightness.Result, error) {
	if ask.Bore != nil {
		var e straightness.Estimate
		e.Value, e.U = b.doubtful("/bore", *ask.Bore, 0.1, 1000, 0.005, 10)
		b.bore = &e
	}
	var r straightness.Result
	var err error
	if ask.Stations != nil {
		for at, sent := range map[string]bool{"/size": ask.Size != nil, "/runout": ask.Runout != nil, "/gap": ask.Gap != nil, "/whole_length": ask.WholeLength != nil, "/engaged_length": ask.EngagedLength != nil} {
			if sent {
				b.fault(at, "goes without stations; send one or the other")
			}
		}
		stations := b.stations(*ask.Stations)
		if err := b.invalid(); err != nil {
			return r, err
		}
		r, err = straightness.Virtual(stations)
	} else {
		size, bow, whole, engaged := b.middle(ask)
		if err := b.invalid(); err != nil {
			return r, err
		}
		r, err = straightness.Arc(size, bow, whole, engaged)
	}
	if err == nil {
		return r, nil
	}
	pointer := "/stations"
	if errors.Is(err, straightness.ErrRange) {
		pointer = "/whole_length"
	}
	return r, problem.Invalid(faultOf(pointer, err))
}

// middle is the pin of one size with a reading in its middle.
func (b *bentPin) middle(ask PinStraightnessIn) (size, bow straightness.Estimate, whole, engaged float64) {
	if ask.Size == nil || ask.WholeLength == nil {
		b.fault("/size", "is needed with whole_length and runout or gap in the middle, or send stations")
		return
	}
	b.sent = ask.Size.Value
	size.Value, size.U = b.doubtful("/size", *ask.Size, 0.1, 1000, 0.003, 10)
	whole = b.mm("/whole_length", *ask.WholeLength, 0.1, 10_000)
	engaged = whole
	if !math.IsNaN(whole) {
		engaged = b.optionalMM("/engaged_length", ask.EngagedLength, 0.01, whole, whole)
	}
	if ask.EngagedLength == nil {
		b.assume("assumed_engaged", "The whole pin was taken to be in its bores.")
	}
	b.assume("assumed_arc", "The pin was taken to be bent evenly, as an arc of a circle; a sharp bend needs stations.")
	switch {
	case ask.Runout != nil && ask.Gap != nil:
		b.fault("/gap", "goes without runout; send the one that was taken")
	case ask.Runout != nil:
		bow = straightness.FromRunout(b.estimate("/runout", *ask.Runout, 0.01))
	case ask.Gap != nil:
		bow = b.estimate("/gap", *ask.Gap, 0.02)
	default:
		b.fault("/runout", "is needed, or gap")
	}
	return
}

// estimate is a reading of how far a pin is off, mm.
func (b *bentPin) estimate(at string, in DoubtfulLengthIn, usual float64) (e straightness.Estimate) {
	e.Value, e.U = b.doubtful(at, in, 0, 50, usual, 50)
	return e
}

func (b *bentPin) stations(list []PinStationIn) []straightness.Station {
	out := make([]straightness.Station, 0, len(list))
	b.sent = list[0].Size.Value
	first, last := 0, 0
	for i, in := range list {
		at := fmt.Sprintf("/stations/%d", i)
		s := straightness.Station{Position: b.mm(at+"/position", in.Position, -10_000, 10_000)}
		s.Size.Value, s.Size.U = b.doubtful(at+"/size", in.Size, 0.1, 1000, 0.003, 10)
		out = append(out, s)
		if s.Position < out[first].Position {
			first = i
		}
		if s.Position > out[last].Position {
			last = i
		}
	}
	ends := straightness.Estimate{Value: (out[first].Size.Value + out[last].Size.Value) / 2, U: math.Hypot(out[first].Size.U, out[last].Size.U) / 2}
	for i, in := range list {
		at := fmt.Sprintf("/stations/%d", i)
		switch {
		case in.Runout != nil && in.Gap != nil:
			b.fault(at+"/gap", "goes without runout; send the one that was taken")
		case in.Runout != nil:
			out[i].Offset = straightness.FromRunout(b.estimate(at+"/runout", *in.Runout, 0.01))
		case in.Gap != nil:
			out[i].Offset = straightness.FromGap(b.estimate(at+"/gap", *in.Gap, 0.02), ends, out[i].Size)
		}
		if or(in.Opposite, false) {
			out[i].Offset.Value = -out[i].Offset.Value
		}
	}
	return out
}

func (b *bentPin) advise(out *PinStraightnessOut, r straightness.Result, hardened bool) {
	out.Verdict, out.Advice = "straight", "keep"
	if r.Bow > 2*r.Virtual.U {
		out.Verdict, out.Advice = "bent", "straighten_or_replace"
		if hardened {
			out.Advice = "replace"
		}
	}
	out.Summary = fmt.Sprintf("The pin needs a bore of %s: its largest size %s and %s for the bend.", out.VirtualSize.Text, out.Largest.Text, out.BendAdds.Text)
	if b.bore != nil {
		out.Summary += fmt.Sprintf(" It goes through this bore %s.", chanceInWords(r.Passes(*b.bore)))
	}
	if r.Step > 0.01 {
		b.warn("stepped", fmt.Sprintf("The pin is worn in steps of %s: its largest size decides whether it passes, its smallest how loose it runs; a new pin will not run as this one did.", out.Step.Text))
	}
	if out.Verdict == "bent" {
		b.caution("bent_pin", "Find out what bent it before fitting another: a bent leaf or leaves out of line bend the next as well.")
		b.caution("straightening", "Hardened pins crack or fly to pieces when they are straightened: never do it. Straighten soft pins cold, in a press, behind a guard. Bent pins of steering, brakes and seats are replaced, never straightened.")
	}
	b.notApproval()
}
