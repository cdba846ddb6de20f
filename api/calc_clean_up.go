package api

import (
	"fmt"
	"math"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
)

// CalcCleanUp implements the contract.
func (s *Server) CalcCleanUp(c echo.Context, params CalcCleanUpParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[CleanUpIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		bore := &boreAsked{nominal: ask.Nominal.Length(), commons: map[string]int{}}
		bore.read(ask)
		if len(bore.faults) > 0 {
			return answer{}, problem.Invalid(bore.faults...)
		}
		select {
		case s.cleanUps <- struct{}{}:
			defer func() { <-s.cleanUps }()
		case <-in.ctx.Done():
			return answer{}, &problem.Error{Kind: problem.Unavailable, Detail: "Many ask the same now. Send the request again after Retry-After seconds.", RetryAfter: 5 * time.Second, Cause: in.ctx.Err()}
		}
		var posterior wornsize.Posterior
		err := s.timed(in.ctx, cleaningUp, func() (w workload, err error) {
			w = workload{features: 1, readings: len(bore.feature.Readings)}
			posterior, err = wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{bore.feature}, Commons: bore.set, Stop: in.abandoned})
			return w, err
		})
		if problem.Is(err, problem.Unavailable) {
			return answer{}, err
		}
		if err != nil {
			return answer{}, problem.Invalid(faultOf("/readings", err))
		}
		if err := bore.contradictions(); err != nil {
			return answer{}, err
		}
		out := bore.answer(shownIn(ask.Reamer, params.Units), shownIn(ask.Nominal, params.Units).Unit(), posterior.Features[0])
		out.Explanation = explained(params.Explain, func() []derivation.Step {
			return append([]derivation.Step{bore.offset(ask.Reamer.Length())}, posterior.Features[0].CutDerivation(bore.from(ask.Reamer.Length()))...)
		})
		return ok(out), nil
	})
}

// boreAsked is the bore of a clean-up question on its way into the engine.
type boreAsked struct {
	nominal  length.Length
	feature  wornsize.Feature
	set      []wornsize.Common
	commons  map[string]int // by method, or by gauge size
	origin   []int          // by reading of the feature: which of the question it is of
	assumed  []uncertainty.Remark
	warnings []uncertainty.Remark
	faults   []problem.Fault
}

func (b *boreAsked) fault(pointer, detail string) {
	b.faults = append(b.faults, problem.Fault{Pointer: pointer, Detail: detail})
}

// from counts a size from nominal, in micrometres.
func (b *boreAsked) from(l length.Length) float64 { return (l - b.nominal).Micrometres() }

// offset tells where the engine's sizes are counted from.
func (b *boreAsked) offset(cut length.Length) derivation.Step {
	return derivation.Step{Name: "size of the cut, from nominal", Formula: "c = 1000 (d - D)",
		Inputs: []derivation.Value{derivation.Number("d", "reamer, taken to cut its own size", cut.Millimetres(), "mm"), derivation.Number("D", "nominal size", b.nominal.Millimetres(), "mm")},
		Result: derivation.Number("c", "size of the cut, from nominal", b.from(cut), "um"), Source: "definition; sizes within the engine are counted from nominal"}
}

// near reports whether a size can belong to the bore at all; half and one and a
// half times the nominal size catch every mix-up of units.
func (b *boreAsked) near(pointer string, l length.Length) bool {
	if 2*l >= b.nominal && 2*l <= 3*b.nominal {
		return true
	}
	b.fault(pointer, fmt.Sprintf("%s is far from the nominal size %s; is the unit right?", l.Text(length.Millimetre), b.nominal.Text(length.Millimetre)))
	return false
}

func (b *boreAsked) read(ask CleanUpIn) {
	if !measurable(b.nominal) {
		b.fault("/nominal", notMeasurable)
		return
	}
	b.near("/reamer", ask.Reamer.Length())
	surface := or(ask.Surface, "unknown")
	form, assumed := wornsize.DefaultForm(string(surface))
	b.feature = wornsize.Feature{Shape: wornsize.Bore, Form: form, Guidance: wornsize.Floating}
	if or(ask.Guidance, CleanUpInGuidanceFloating) == CleanUpInGuidanceHeldToAxis {
		b.feature.Guidance = wornsize.HeldToAxis
	}
	b.assumed = append(b.assumed, b.readForm(ask.Form, assumed)...)
	prior, assumed := wornsize.DefaultPrior(wornsize.Bore, b.nominal.Micrometres())
	for i, r := range ask.Readings {
		b.readOne(fmt.Sprintf("/readings/%d", i), r)
		for len(b.origin) < len(b.feature.Readings) { // tried from both ends, it is two
			b.origin = append(b.origin, i)
		}
	}
	b.foldShared()
	for _, r := range b.feature.Readings {
		// A reading beyond what wear usually does still counts: make room for it.
		prior.Low, prior.High = math.Min(prior.Low, r.Value-100), math.Max(prior.High, r.Value+100)
	}
	b.feature.Prior = prior
	b.assumed = append(b.assumed, assumed...)
	b.assumed = append(b.assumed, uncertainty.Remark{Code: "assumed_cut_size", Text: "The reamer was taken to cut exactly the size given; measure a bore it has cut."})
}

// readForm puts what is known of the form in the place of the defaults; assumed
// are the remarks on those.
func (b *boreAsked) readForm(in *FormIn, assumed []uncertainty.Remark) []uncertainty.Remark {
	if in == nil {
		return assumed
	}
	most := b.nominal / 10
	known := 0
	for _, part := range []struct {
		pointer string
		q       *LengthIn
		into    *float64
	}{
		{"/form/bell_mouth", in.BellMouth, &b.feature.Form.BellMouth},
		{"/form/ovality", in.Ovality, &b.feature.Form.Ovality},
		{"/form/surface", in.Surface, &b.feature.Form.Surface},
	} {
		switch {
		case part.q == nil:
		case part.q.Length() < 0 || part.q.Length() > most:
			b.fault(part.pointer, fmt.Sprintf("must be from 0 to a tenth of the nominal size, %s; is the unit right?", most.Text(length.Millimetre)))
		default:
			known++
			*part.into = part.q.Length().Micrometres()
		}
	}
	if known == 3 {
		var rest []uncertainty.Remark
		for _, r := range assumed {
			if r.Code != wornsize.AssumedForm {
				rest = append(rest, r)
			}
		}
		return rest
	}
	return assumed
}

func (b *boreAsked) readOne(at string, r CalcReadingIn) {
	if r.U != nil && (r.U.Length() <= 0 || r.U.Length() > b.nominal/10) {
		b.fault(at+"/u", fmt.Sprintf("must be over 0 and at most a tenth of the nominal size, %s; is the unit right?", (b.nominal/10).Text(length.Millimetre)))
		return
	}
	switch {
	case r.Value != nil && r.Gauge != nil:
		b.fault(at+"/gauge", "a reading has a value or a gauge, not both; send them as two readings")
	case r.Value != nil:
		b.readMeasured(at, r)
	case r.Gauge != nil:
		b.readGauged(at, r)
	default:
		b.fault(at, "needs value with what it was read with, or gauge with its result")
	}
}

// refuse tells of fields that belong to the other sort of reading.
func (b *boreAsked) refuse(at, sort string, fields map[string]bool) bool {
	whole := true
	for _, name := range sortedKeys(fields) {
		if fields[name] {
			b.fault(at+"/"+name, "belongs to a "+sort+" reading; leave it out here")
			whole = false
		}
	}
	return whole
}

// contradictions warns of readings that can hardly be true together, each pair
// once, counted as in the question.
func (b *boreAsked) contradictions() error {
	list, err := wornsize.Contradictions(b.feature, b.set)
	if err != nil {
		return err
	}
	for _, x := range list {
		first, second := b.origin[x.First], b.origin[x.Second]
		b.warnings = append(b.warnings, uncertainty.Remark{Code: "readings_contradict",
			Params: []uncertainty.Param{{Name: "first", Value: float64(first), Unit: "1"}, {Name: "second", Value: float64(second), Unit: "1"}},
			Text:   fmt.Sprintf("/readings/%d and /readings/%d can hardly both be true; take the doubtful one again.", first, second)})
	}
	return nil
}

var stations = map[Station]wornsize.Station{"mouth_a": wornsize.MouthA, "middle": wornsize.Middle, "mouth_b": wornsize.MouthB}

func (b *boreAsked) readMeasured(at string, in CalcReadingIn) {
	whole := b.refuse(at, "gauged", map[string]bool{"result": in.Result != nil, "end": in.End != nil, "part_length": in.PartLength != nil})
	if !b.near(at+"/value", in.Value.Length()) || !whole {
		return
	}
	r := wornsize.Reading{Kind: wornsize.Measured, Value: b.from(in.Value.Length()), Common: -1, Direction: math.NaN()}
	if in.Station != nil {
		r.Station = stations[*in.Station]
	}
	if in.Direction != nil {
		r.Direction = *in.Direction
	}
	switch {
	case in.With != nil:
		if *in.With == MethodPinGauge || *in.With == MethodPlugGauge {
			b.fault(at+"/with", "a gauge goes or does not go; give its size as gauge, with result go, no_go or starts")
			return
		}
		result, err := uncertainty.Measure(uncertainty.Reading{Read: in.Value.Length(), Shape: uncertainty.Bore, Method: in.With.method()})
		if err != nil {
			b.fault(at+"/with", faultOf("", err).Detail)
			return
		}
		b.measured(&r, *in.With, result, in.U)
	case in.U != nil:
		r.U = in.U.Length().Micrometres()
	default:
		b.fault(at+"/with", "is needed: say what it was read with, such as caliper, or give its standard uncertainty as u")
		return
	}
	b.feature.Readings = append(b.feature.Readings, r)
}

// measured takes a method's default doubts into r. A stated u stands for all of
// them but the method's one-sided error, which no repeating shows.
func (b *boreAsked) measured(r *wornsize.Reading, with Method, result uncertainty.Result, u *LengthIn) {
	r.Value = b.from(result.At20)
	r.BiasLow, r.BiasHigh = result.BiasLow, result.BiasHigh
	b.warnings = append(b.warnings, result.Warnings...)
	if u != nil {
		r.U = u.Length().Micrometres()
		for _, remark := range result.Assumed {
			if remark.Code == uncertainty.AssumedBias {
				b.assumed = append(b.assumed, remark)
			}
		}
		return
	}
	r.U = result.Independent
	r.Common = b.common(string(with), wornsize.Common{U: result.Shared})
	b.assumed = append(b.assumed, result.Assumed...)
}

// common is the place of the error that readings of one instrument share.
func (b *boreAsked) common(of string, c wornsize.Common) int {
	at, known := b.commons[of]
	if !known {
		at = len(b.set)
		b.commons[of], b.set = at, append(b.set, c)
	}
	return at
}

// foldShared bounds the work: this question is open to everyone.
func (b *boreAsked) foldShared() {
	set, folded := wornsize.FoldShared(wornsize.Set{Features: []wornsize.Feature{b.feature}, Commons: b.set})
	b.feature = wornsize.FoldBiases(set).Features[0]
	if folded {
		b.assumed = append(b.assumed, uncertainty.Remark{Code: recommend.AssumedApart, Text: recommend.ApartText})
	}
}

var gaugeKinds = map[GaugeResult]wornsize.Kind{"go": wornsize.Go, "no_go": wornsize.NoGo, "starts": wornsize.Starts}

func (b *boreAsked) readGauged(at string, in CalcReadingIn) {
	whole := b.refuse(at, "measured", map[string]bool{"station": in.Station != nil, "direction": in.Direction != nil})
	if in.With != nil && *in.With != MethodPinGauge && *in.With != MethodPlugGauge {
		b.fault(at+"/with", "a gauge is tried, not read: leave with out, or say pin_gauge or plug_gauge")
		whole = false
	}
	if in.Result == nil {
		b.fault(at+"/result", "is needed: go, no_go or starts")
		whole = false
	}
	if !b.near(at+"/gauge", in.Gauge.Length()) || !whole {
		return
	}
	r := wornsize.Reading{Kind: gaugeKinds[*in.Result], Value: b.from(in.Gauge.Length()), Common: -1, Direction: math.NaN(), PartLength: or(in.PartLength, false)}
	if in.U != nil {
		r.U = in.U.Length().Micrometres()
	} else {
		size, err := uncertainty.SizeOfGauge(uncertainty.Gauge{Marked: in.Gauge.Length()})
		if err != nil {
			b.fault(at+"/gauge", faultOf("", err).Detail+"; give its standard uncertainty as u")
			return
		}
		// The size is shared by every use of the gauge; the little that temperature
		// adds goes with the feel.
		r.Value, r.U = b.from(size.Middle), math.Hypot(size.Feel, size.Temperature)
		r.Common = b.common("gauge "+in.Gauge.Length().String(), wornsize.Common{HalfWidth: size.HalfWidth})
		b.assumed = append(b.assumed, size.Assumed...)
	}
	b.feature.Readings = append(b.feature.Readings, fromEnds(r, in.End)...)
}

// fromEnds says from which end a gauge was tried. Tried from both, what happened
// at a mouth happened at each; a gauge that went through went through once.
func fromEnds(r wornsize.Reading, end *CalcReadingInEnd) []wornsize.Reading {
	a, other := r, r
	a.Station, other.Station = wornsize.MouthA, wornsize.MouthB
	switch {
	case end == nil:
		return []wornsize.Reading{r}
	case *end == CalcReadingInEndA:
		return []wornsize.Reading{a}
	case *end == CalcReadingInEndB:
		return []wornsize.Reading{other}
	case r.Kind == wornsize.Go && !r.PartLength:
		return []wornsize.Reading{r}
	}
	return []wornsize.Reading{a, other}
}

func (b *boreAsked) answer(reamer length.Quantity, in length.Unit, p wornsize.FeaturePosterior) CleanUpOut {
	unit := string(in)
	chance := p.CleanUp.CDF(b.from(reamer.Length()))
	out := CleanUpOut{
		Probability: probabilityOut(chance), Engine: recommend.Engine,
		PassingSize: sizeOut(recommend.SizeOf(p.Passing, b.nominal), unit), CleanUpSize: sizeOut(recommend.SizeOf(p.CleanUp, b.nominal), unit),
		Assumed: textsOut(b.assumed),
	}
	out.Summary = fmt.Sprintf("A cut to %s cleans up this bore %s; it needs %s.", reamer, chanceInWords(chance), out.CleanUpSize.Text)
	b.warnings = append(b.warnings, uncertainty.Remark{Code: "advice_not_approval",
		Text: "This is advice, not approval: for steering, brake, suspension or seat joints the maker's limits, local codes and a licensed inspection come first."})
	out.Warnings = textsOut(b.warnings)
	return out
}

// probabilityOut rounds a probability to what the quadrature holds, and never
// to a certainty that it has not.
func probabilityOut(p float64) float64 {
	return math.Min(0.9999, math.Max(0.0001, math.Round(p*1e4)/1e4))
}

// chanceInWords says a probability as people do.
func chanceInWords(p float64) string {
	switch {
	case p < 0.01:
		return "almost certainly not (less than 1 time in 100)"
	case p > 0.99:
		return "almost certainly (more than 99 times in 100)"
	}
	return fmt.Sprintf("%.0f times in 100", 100*p)
}
