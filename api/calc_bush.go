package api

import (
	"errors"
	"fmt"
	"math"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/bush"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
	"pinwright/internal/calc/pressfit"
	"pinwright/internal/problem"
)

// CalcBush implements the contract.
func (s *Server) CalcBush(c echo.Context, params CalcBushParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[BushIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		b := &bushJob{unit: shownIn(ask.BossOutside, params.Units).Unit()}
		b.read(ask)
		if err := b.invalid(); err != nil {
			return answer{}, err
		}
		plan, err := bush.Choose(b.ask)
		if err != nil {
			return answer{}, problem.Invalid(bushFault(err, ask.PressFit != nil))
		}
		return b.answer(plan, params.Explain), nil
	})
}

// bushJob is the question in millimetres.
type bushJob struct {
	workpiece
	unit length.Unit
	ask  bush.Ask
}

func (b *bushJob) read(in BushIn) {
	b.readRunning(in)
	b.ask.Kind = bush.Kind(or(in.Kind, "solid"))
	b.ask.Bush = b.metal("/material", "bush", or(in.Material, map[bush.Kind]PressMaterial{bush.Solid: "bronze", bush.Sintered: "bronze_sintered", bush.Lined: "steel_mild"}[b.ask.Kind]), in.Material == nil)
	b.ask.Boss = b.metal("/boss_material", "boss", or(in.BossMaterial, "steel_mild"), in.BossMaterial == nil)
	b.ask.Length = b.mm("/boss_length", in.BossLength, 0.5, 1000)
	b.ask.Safety = or(in.Safety, 1.2)
	if in.Friction != nil && in.Friction.Low > in.Friction.High {
		b.fault("/friction/low", "must not be above high")
	}
	if b.ask.Friction = pressfit.Oiled; in.Friction != nil {
		b.ask.Friction = pressfit.Friction{Low: in.Friction.Low, High: in.Friction.High}
	}
	loss, err := pressfit.Loss(0.0063, 0.0063, pressfit.LossDIN7190of2017)
	if err != nil { // constants
		panic("api: " + err.Error())
	}
	b.ask.Loss = loss
	b.assume("assumed_roughness", "Rz 6.3 micrometres was taken for both faces; by DIN 7190-1:2017, as quoted, they take 5 micrometres of interference.")
	if math.IsNaN(b.ask.Pin.High) || b.ask.Pin.High == 0 {
		return
	}
	b.ask.Outside = b.mm("/boss_outside", in.BossOutside, b.ask.Pin.High, 1000)
	b.ask.CleanUp = b.optionalMM("/clean_up", in.CleanUp, 0.5, 500, 0)
	b.ask.BushWall = b.optionalMM("/bush_wall", in.BushWall, 0.1, 50, bush.UsualBushWall)
	b.ask.BossWall = b.optionalMM("/boss_wall", in.BossWall, 0.1, 500, 0)
	b.ask.Allowance = b.optionalMM("/ream_allowance", in.ReamAllowance, 0.01, 2, bush.UsualAllowance)
	b.ask.BoreWidth = b.optionalMM("/bore_tolerance", in.BoreTolerance, 0.001, 1, bush.UsualBoreWidth)
	b.assume("assumed_walls", "Least walls (bush 1 mm, boss a fifth of the hole and at least 2 mm), reaming allowance 0.1 mm and tolerance 0.05 mm of the bore before were taken where none was given (common practice, no published source).")
	b.readPress(in)
}

func (b *bushJob) metal(at, part string, name PressMaterial, assumed bool) pressfit.Material {
	m, err := pressfit.ByName(string(name))
	if err != nil {
		b.faults = append(b.faults, faultOf(at, err))
	}
	text := fmt.Sprintf("The %s was taken as %s: %.0f MPa modulus, %.0f MPa strength (%s).", part, m.Name, m.Elastic, m.Yield, m.Source)
	if assumed {
		text += " Name its material where it is another."
	}
	b.assume("assumed_material_"+part, text)
	return m
}

// readRunning takes pin and clearance from a fit or from four lengths.
func (b *bushJob) readRunning(in BushIn) {
	four := []struct {
		at string
		q  *length.Quantity
	}{{"/pin_smallest", in.PinSmallest}, {"/pin_largest", in.PinLargest}, {"/clearance_min", in.ClearanceMin}, {"/clearance_max", in.ClearanceMax}}
	if in.Pin != nil || in.RunningFit != nil {
		for _, f := range four {
			if f.q != nil {
				b.fault(f.at, "goes without pin and running_fit; send one or the other")
			}
		}
		b.readFit(in)
		return
	}
	var mm [4]float64
	for i, f := range four {
		if f.q == nil {
			b.fault(f.at, "is needed, or pin with running_fit such as F8/h7 in place of all four")
			mm[i] = math.NaN()
			continue
		}
		low, high := 0.5, 200.0
		if i > 1 {
			low, high = 0, 40
		}
		mm[i] = b.mm(f.at, *f.q, low, high)
	}
	b.ask.Pin, b.ask.Clearance = bush.Range{Low: mm[0], High: mm[1]}, bush.Range{Low: mm[2], High: mm[3]}
	if mm[0] > mm[1] {
		b.fault("/pin_largest", "must not be below pin_smallest")
	}
	if mm[2] > mm[3] {
		b.fault("/clearance_max", "must not be below clearance_min")
	}
}

func (b *bushJob) readFit(in BushIn) {
	if in.Pin == nil {
		b.fault("/pin", "is needed with running_fit")
		return
	}
	symbol := or(in.RunningFit, "F8/h7")
	if in.RunningFit == nil {
		b.assume("assumed_running_fit", "F8/h7 was taken for how the pin runs (ISO 286; a usual running fit, common practice).")
	}
	fit, err := limits.ParseFit(symbol)
	if err != nil {
		b.faults = append(b.faults, faultOf("/running_fit", err))
		return
	}
	pair, err := fit.At(in.Pin.Length())
	if err != nil {
		at := "/running_fit"
		if errors.Is(err, limits.ErrSize) {
			at = "/pin"
		}
		b.faults = append(b.faults, faultOf(at, err))
		return
	}
	if pair.LeastClearance < 0 {
		b.fault("/running_fit", "must always leave room, such as F8/h7 or H8/f7")
		return
	}
	low, high := pair.Shaft.Of(pair.Size)
	b.ask.Pin = bush.Range{Low: low.Millimetres(), High: high.Millimetres()}
	b.ask.Clearance = bush.Range{Low: pair.LeastClearance.Millimetres(), High: pair.GreatestClearance.Millimetres()}
}

// readPress takes the hole's class and the bush's, or the interference of a bush that
// is turned to suit.
func (b *bushJob) readPress(in BushIn) {
	symbol := or(in.PressFit, "H7/h6") // of which only the hole counts
	fit, err := limits.ParseFit(symbol)
	if err != nil {
		b.faults = append(b.faults, faultOf("/press_fit", err))
		return
	}
	span := func(size float64, of func(limits.Pair) limits.Limits) (bush.Range, error) {
		pair, err := fit.At(length.FromMicrometres(size * 1000))
		low, high := of(pair).Of(pair.Size)
		return bush.Range{Low: low.Millimetres(), High: high.Millimetres()}, err
	}
	b.ask.Hole = func(size float64) (bush.Range, error) {
		return span(size, func(p limits.Pair) limits.Limits { return p.Hole })
	}
	b.ask.Body = func(size float64) (bush.Range, error) {
		return span(size, func(p limits.Pair) limits.Limits { return p.Shaft })
	}
	b.readSuits(in)
	if in.Outsides != nil {
		for i, q := range *in.Outsides {
			b.ask.Sizes = append(b.ask.Sizes, b.mm(fmt.Sprintf("/outsides/%d", i), q, 1, 50))
		}
		return
	}
	for size := math.Ceil(b.ask.Pin.High); size <= math.Min(50, b.ask.Outside); size++ {
		b.ask.Sizes = append(b.ask.Sizes, size)
	}
	if len(b.ask.Sizes) == 0 && len(b.faults) == 0 {
		b.fault("/outsides", "are needed: no whole millimetre up to 50 mm, where the tables of fits end, lies between pin and boss")
	}
}

// readSuits takes the interference wanted where no press fit was named.
func (b *bushJob) readSuits(in BushIn) {
	given := in.InterferenceMin != nil || in.InterferenceMax != nil
	switch {
	case in.PressFit != nil && given:
		b.fault("/press_fit", "goes without interference_min and interference_max; send one or the other")
	case in.PressFit != nil:
	case given && (in.InterferenceMin == nil || in.InterferenceMax == nil):
		b.fault("/interference_max", "and interference_min are needed together")
	case given:
		r := bush.Range{Low: b.mm("/interference_min", *in.InterferenceMin, 1e-6, 0.5), High: b.mm("/interference_max", *in.InterferenceMax, 1e-6, 0.5)}
		if r.Low > r.High {
			b.fault("/interference_max", "must not be below interference_min")
		}
		b.ask.Suits = func(float64) bush.Range { return r }
	default:
		b.ask.Suits = func(size float64) bush.Range {
			return bush.Range{Low: math.Max(bush.UsualSuitLow*size, b.ask.Loss+0.002), High: math.Max(bush.UsualSuitHigh*size, b.ask.Loss+0.007)}
		}
		b.assume("assumed_interference", "The bush was taken to be turned to suit the measured hole with one to two thousandths of its outside as interference, but no less than roughness takes and 2 to 7 micrometres (common practice, no published source).")
	}
}

func bushFault(err error, named bool) problem.Fault {
	switch {
	case errors.Is(err, bush.ErrClearance):
		return faultOf("/clearance_max", err)
	case errors.Is(err, bush.ErrFit) && !named:
		return faultOf("/interference_min", err)
	case errors.Is(err, bush.ErrFit), errors.Is(err, limits.ErrClass):
		return faultOf("/press_fit", err)
	case errors.Is(err, bush.ErrNoSize), errors.Is(err, limits.ErrSize):
		return faultOf("/outsides", err)
	}
	return faultOf("/boss_outside", err)
}

func (b *bushJob) span(r bush.Range) SizeRange {
	return SizeRange{Smallest: mmOut(r.Low, b.unit), Largest: mmOut(r.High, b.unit)}
}

func (b *bushJob) answer(p bush.Plan, explain *bool) answer {
	out := BushOut{
		Outside: mmOut(p.Size, b.unit), Hole: b.span(p.Hole), Body: b.span(p.Body), Interference: b.span(p.Interference), ClosesIn: b.span(p.ClosesIn),
		BoreBefore: b.span(p.Before), BoreFinished: b.span(p.Finished), RunningClearance: b.span(bush.Range{Low: p.PlayMin, High: p.PlayMax}),
		BushWall: mmOut(p.BushWall, b.unit), BossWall: mmOut(p.BossWall, b.unit), BossWallNeeded: mmOut(p.BossWallNeed, b.unit), BushLength: mmOut(p.Length, b.unit),
		Chamfer: mmOut(p.Chamfer, b.unit), ChamferDegrees: bush.UsualChamferAngle, ForceNewtons: significant(p.Tightest.Force),
		BossUse: significant(p.Tightest.HubUse), BushUse: significant(p.Tightest.PinUse), WithinSafety: p.Tightest.Safe, TurnedToSuit: b.ask.Suits != nil, Refused: []BushRefused{},
		Source:      "ISO 286 tables; thick cylinders after Lamé, plane stress; roughness by DIN 7190-1:2017 as quoted; walls and allowances common practice",
		Explanation: explained(explain, func() []derivation.Step { return b.ask.Derivation(p) }),
	}
	for _, r := range p.Refused {
		out.Refused = append(out.Refused, BushRefused{Outside: mmOut(r.Size, b.unit), Why: r.Why})
	}
	if !p.Tightest.Safe {
		b.warn("beyond_safety", fmt.Sprintf("The tightest bush is stressed beyond what is allowed with a safety of %.2g, though still elastic.", b.ask.Safety))
	}
	b.finish(&out, p)
	b.pressingCautions()
	out.Warnings, out.Cautions, out.Assumed = textsOut(b.warnings), textsOut(b.cautions), textsOut(b.assumed)
	return ok(out)
}

// finish says what to do, by the kind of bush.
func (b *bushJob) finish(out *BushOut, p bush.Plan) {
	from := func(r SizeRange) string { return r.Smallest.Text + " to " + r.Largest.Text }
	body := "to " + from(out.Body)
	if b.ask.Suits != nil {
		body = from(out.Interference) + " over the hole as measured"
	}
	out.Steps = []string{
		fmt.Sprintf("Bore or ream the boss to %s, on the old axis or in line with the other hinge.", from(out.Hole)),
		fmt.Sprintf("Turn the outside of the bush %s, its bore to %s, its length to %s, with a chamfer of %s at %.0f degrees to lead.", body, from(out.BoreBefore), out.BushLength.Text, out.Chamfer.Text, bush.UsualChamferAngle),
		fmt.Sprintf("Press it in, oiled, with up to %s; its bore closes in by %s.", newtonsInWords(p.Tightest.Force), from(out.ClosesIn)),
	}
	last := ""
	switch b.ask.Kind {
	case bush.Solid:
		out.ToReam = pointerTo(b.span(p.Out))
		last = fmt.Sprintf("Ream it in place to %s; that takes off %s.", from(out.BoreFinished), from(*out.ToReam))
	case bush.Sintered:
		out.SizingPin = pointerTo(mmOut(p.SizingPin, b.unit))
		last = fmt.Sprintf("Do not ream it: push a smooth hardened pin of about %s through, oiled, try a standard pin, and soak the bush in oil.", out.SizingPin.Text)
		b.assume("assumed_spring_back", "A sintered bush was taken to spring back by 5 micrometres from its sizing pin (common practice, no published source); try on a spare one.")
	default:
		last = "Cut nothing: its lining is the bearing. Try the pin; where it does not go the hole or the bush was outside its size."
	}
	out.Steps = append(out.Steps, last)
	if p.NeedsSizing && b.ask.Kind == bush.Lined {
		b.warn("may_not_come_right", "The closing in varies by more than the finished bore may, and a lined bush cannot be cut: hold hole and bush closer than the fit, or choose a solid bush.")
	}
	if p.NeedsSizing && b.ask.Kind == bush.Sintered {
		b.warn("needs_sizing", "The closing in varies by more than the finished bore may: it comes right only by sizing.")
	}
	out.Summary = fmt.Sprintf("A bush of %s outside, bored %s before pressing and finished at %s, gives the standard pin %s of clearance.", out.Outside.Text, from(out.BoreBefore), from(out.BoreFinished), from(out.RunningClearance))
}
