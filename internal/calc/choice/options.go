package choice

import (
	"pinwright/internal/calc/wornsize"
)

// bench holds what the options of one joint share while they are worked out.
type bench struct {
	post    wornsize.Posterior
	series  []Step
	joint   Joint
	losses  Losses
	risk    float64
	nominal float64
	kept    *windowCache
	cuts    []cutOdds // by step; zero where the step has no reamer
	laid    []Option
}

// options lays out everything that can be done with one joint, in the order of
// the kinds and, within a kind, of the steps. What is open depends only on the
// joint and the series, never on readings, so that options keep their index
// when a reading is added.
func options(p Problem, j Joint) []Option {
	post, series := p.Posterior, p.Series
	b := &bench{post: post, series: series, joint: j, losses: p.Losses, risk: p.Risk.Joint, nominal: p.Nominal, kept: p.kept, cuts: make([]cutOdds, len(series))}
	b.add(b.leave(Leave))
	b.add(b.leave(CleanAndLubricate))
	b.add(b.newPin(NewStandardPin, 0))
	if j.Fitted > 0 {
		b.add(b.newPin(NewPinAsFitted, j.Fitted))
	}
	var ladder []int // steps that may be cut
	for s := range series {
		if series[s].Reamer == nil {
			continue
		}
		o := b.ream(s)
		if o.Open {
			ladder = append(ladder, s)
		}
		b.add(o)
	}
	for i := range ladder[:max(0, len(ladder)-1)] {
		b.add(b.look(ladder[i:]))
	}
	if j.Hone != nil {
		for s := range series {
			b.add(b.hone(s))
		}
	}
	b.add(b.bush())
	b.add(b.replace())
	b.priceRisk(ladder)
	for i := range b.laid {
		b.finish(&b.laid[i])
	}
	return b.laid
}

func (b *bench) add(o Option) { b.laid = append(b.laid, o) }

func (b *bench) holes() float64 { return float64(len(b.joint.Running)) }

// settle fills the probabilities of an option that shares no reamer error.
func (b *bench) settle(o *Option, at []float64) {
	o.odds = odds{cutter: -1, at: at}
	o.Success = average(b.post.Weights, at)
}

func (b *bench) leave(k Kind) Option {
	j := b.joint
	o := Option{Kind: k, Step: -1, Last: -1, Open: true, CleanUp: 1, StepsLeft: b.stepsAbove(j.Fitted), RepairsLeft: b.repairsAbove(j.Fitted)}
	b.settle(&o, leaveOdds(b.post, j))
	o.InTarget = o.Success
	if j.Pin >= 0 {
		c, p := wornClearance(b.post, j)
		o.Clearance, o.Play = &c, &p
	} else {
		b.shut(&o, Reason{Code: "pin_not_read", Text: "The pin now fitted was not read, so its clearance is not known."})
	}
	b.forbid(&o, func(r factRule) bool { return r.keep || r.leave })
	if k == Leave && j.Dirty {
		b.shut(&o, Reason{Code: "dirty", Text: "The joint is rusty or dry: it cannot be left as it is."})
	}
	if k == CleanAndLubricate {
		o.own.Labour = b.losses.Clean
	}
	return o
}

func (b *bench) newPin(k Kind, s int) Option {
	step := b.series[s]
	o := Option{Kind: k, Step: s, Last: s, Open: true, CleanUp: 1, StepsLeft: b.stepsAbove(max(s, b.joint.Fitted)), RepairsLeft: b.repairsAbove(max(s, b.joint.Fitted)),
		Days: step.LeadDays, PriceMinor: step.PriceMinor}
	b.settle(&o, uncutOdds(b.post, b.joint, step.Pin, holding(b.post, b.joint, uncutHeld(step))))
	o.InTarget = o.Success
	c, p := uncutClearance(b.post, b.joint, step.Pin)
	o.Clearance, o.Play = &c, &p
	o.Interference = interference(b.post, b.joint, uncutHeld(step))
	o.Rank = s
	o.own.Pins = float64(step.PriceMinor)
	o.own.Labour = b.losses.Clean + b.losses.Assemble
	b.needPin(&o, s)
	b.forbid(&o, func(r factRule) bool { return r.keep })
	return o
}

// uncutHeld is a step whose held bores are not cut either.
func uncutHeld(s Step) Step {
	s.HeldReamer = nil
	return s
}

func (b *bench) ream(s int) Option {
	step, j := b.series[s], b.joint
	r := step.Reamer.at(j.Access)
	step.Reamer = &r
	o := Option{Kind: ReamTo, Step: s, Last: s, Rank: s, Open: true, StepsLeft: b.stepsAbove(s), RepairsLeft: b.repairsAbove(s), Reamer: step.Reamer,
		Days: max(step.LeadDays, r.WaitDays), PriceMinor: step.PriceMinor, uses: 1 << s}
	b.cuts[s] = cutJoint(b.post, j, step, holding(b.post, j, step), b.kept)
	cut := b.cuts[s]
	o.odds = odds{cutter: s, at: cut.success}
	o.Success = average(b.post.Weights, cut.joint)
	o.CleanUp = average(b.post.Weights, cut.clean)
	o.InTarget = average(b.post.Weights, cut.target)
	c := cutClearance(j, r.cut(), step.Pin)
	o.Clearance, o.Play = &c, &c
	o.Interference = interference(b.post, j, step)
	a, little, much := allowance(b.post, j, r)
	o.Allowance, o.TooLittle, o.TooMuch = &a, little, much
	o.Passes = b.passes(s, r, a, much)
	o.own = Loss{
		Pins:   float64(step.PriceMinor),
		Wear:   b.holes() * float64(r.WearMinor),
		Labour: b.holes()*b.losses.Hole + b.losses.Assemble + much*b.losses.ExtraPass*b.holes(),
		Steps:  b.losses.StepSpent * float64(max(0, s-j.Fitted)),
	}
	b.needPin(&o, s)
	b.needReamer(&o, r)
	b.suits(&o, r)
	b.needHeldReamer(&o, s)
	if s < j.Fitted {
		b.shut(&o, Reason{Code: "already_larger", Text: "The bores have been cut to a larger step already."})
	}
	b.forbid(&o, func(r factRule) bool { return r.ream })
	b.wall(&o, r.cut().mean)
	return o
}

// needHeldReamer adds the reamer of the held bores, where the step has one.
func (b *bench) needHeldReamer(o *Option, s int) {
	if h := b.series[s].HeldReamer; h != nil && len(b.joint.Held) > 0 {
		o.uses |= 1 << (32 + s)
		o.Days = max(o.Days, h.WaitDays)
		o.own.Wear += float64(len(b.joint.Held)) * float64(h.WearMinor)
		o.own.Labour += float64(len(b.joint.Held)) * b.losses.Hole
		b.needReamer(o, *h)
	}
	b.spares(o, s)
}

// look cuts the first step of the chain, looks at the blued bore, and goes on
// to the next only where unswept patches remain; the pin is ordered after the
// look. A larger cut contains the smaller one, so what cleans up at one step
// would clean up at every later one. The shared errors of the reamers are
// averaged within the joint.
func (b *bench) look(chain []int) Option {
	first, last := chain[0], chain[len(chain)-1]
	o := Option{Kind: CutSmallerAndLook, Step: first, Last: last, Rank: last, Open: true,
		StepsLeft: b.stepsAbove(last), RepairsLeft: b.repairsAbove(last), Ends: make([]float64, last-first+1), PriceMinor: b.series[last].PriceMinor}
	at := make([]float64, len(b.post.Weights))
	target := make([]float64, len(b.post.Weights))
	lead, before := 0, 0.0
	for i, s := range chain {
		step := b.series[s]
		cut := b.cuts[s]
		ream := b.reamOption(s)
		for n := range at {
			if i == 0 {
				at[n], target[n] = cut.joint[n], cut.clean[n]*cut.target[n]
				continue
			}
			// Here the bore is known not to have cleaned up before.
			prev := b.cuts[chain[i-1]]
			at[n] += max(0, cut.joint[n]-prev.clean[n]*cut.target[n])
			target[n] += max(0, cut.clean[n]-prev.clean[n]) * cut.target[n]
		}
		end := max(0, ream.CleanUp-before)
		o.Ends[s-first] = end
		reached := 1 - before
		o.own.Pins += end * float64(step.PriceMinor)
		o.own.Wear += reached * ream.own.Wear
		o.own.Labour += reached*(b.holes()*b.losses.Hole+b.losses.Look) + end*b.losses.Assemble
		o.own.Steps += end * b.losses.StepSpent * float64(max(0, s-b.joint.Fitted))
		before = max(before, ream.CleanUp)
		lead = max(lead, step.LeadDays)
		o.Days = max(o.Days, step.Reamer.WaitDays)
		o.uses |= ream.uses
	}
	o.own.Steps += (1 - before) * b.losses.StepSpent * float64(max(0, last-b.joint.Fitted))
	o.Days += lead
	b.settle(&o, at)
	lastOption := b.reamOption(last)
	o.CleanUp = before
	o.InTarget = clampProbability(average(b.post.Weights, target) + (1-before)*lastOption.InTarget)
	likely := first
	for s := first; s <= last; s++ {
		if o.Ends[s-first] > o.Ends[likely-first] {
			likely = s
		}
	}
	end := b.reamOption(likely)
	o.Clearance, o.Play, o.Interference = end.Clearance, end.Play, end.Interference
	o.WallLeft = lastOption.WallLeft
	start := b.reamOption(first)
	o.Allowance, o.TooLittle, o.TooMuch = start.Allowance, start.TooLittle, start.TooMuch
	o.Passes, o.Reamer = b.lookPasses(chain), start.Reamer
	o.own.Labour += o.TooMuch * b.losses.ExtraPass * b.holes()
	return o
}

// lookPasses are the cuts of a look up to its last step, each after the one
// before.
func (b *bench) lookPasses(chain []int) []Pass {
	out := append([]Pass(nil), b.reamOption(chain[0]).Passes...)
	for i, s := range chain[1:] {
		r := b.series[s].Reamer
		out = append(out, Pass{r.Code, r.Available, r.cut().mean, r.cut().mean - b.series[chain[i]].Reamer.cut().mean})
	}
	return out
}

func (b *bench) reamOption(s int) Option {
	for _, o := range b.laid {
		if o.Kind == ReamTo && o.Step == s {
			return o
		}
	}
	panic("choice: a look at a step that cannot be cut")
}

func (b *bench) bush() Option {
	o := Option{Kind: BushBack, Step: 0, Last: 0, Rank: len(b.series), Open: true, StepsLeft: b.stepsAbove(0), RepairsLeft: b.repairsAbove(0)}
	if b.joint.Bush == nil {
		o.odds = odds{cutter: -1, at: make([]float64, len(b.post.Weights))}
		b.shut(&o, Reason{Code: "not_on_offer", Text: "No bush is on offer for this joint."})
		return o
	}
	bush, pin := *b.joint.Bush, b.series[0]
	clean, success := bushOdds(b.post, b.joint, pin.Pin, holding(b.post, b.joint, uncutHeld(pin)))
	b.settle(&o, success)
	o.CleanUp = average(b.post.Weights, clean)
	o.InTarget = o.Success
	if o.CleanUp > 0 {
		o.InTarget = clampProbability(o.Success / o.CleanUp)
	}
	finished, u := bush.Finished.Mid(), bush.Finished.Width()/2/sqrt3
	if f := bush.Finish; f != nil {
		finished, u = f.cut().mean, f.cut().sd()
		o.Reamer = f
		o.Passes = []Pass{{f.Code, f.Available, finished, finished - (bush.Bore.Mid() - bush.ClosesIn)}}
		o.own.Wear += b.holes() * float64(f.WearMinor)
		o.own.Labour += b.holes() * b.losses.Hole
		o.Days = max(o.Days, f.WaitDays)
	}
	c := mixture{offset: finished - b.joint.Coating, sign: -1, r: pin.Pin, u: u}.quantity()
	o.Clearance, o.Play = &c, &c
	o.Interference = interference(b.post, b.joint, uncutHeld(pin))
	o.Days = max(o.Days, bush.LeadDays, pin.LeadDays)
	o.PriceMinor = pin.PriceMinor + bush.PriceMinor*int64(len(b.joint.Running))
	o.own.Pins = float64(o.PriceMinor)
	o.own.Labour += b.holes()*float64(bush.LabourMinor) + b.losses.Assemble
	if f := bush.Finish; f != nil {
		b.needReamer(&o, *f)
		b.suits(&o, *f)
	}
	b.needPin(&o, 0)
	b.forbid(&o, func(r factRule) bool { return r.bush })
	b.wall(&o, bush.Hole)
	return o
}

func (b *bench) replace() Option {
	o := Option{Kind: ReplacePart, Step: 0, Last: 0, Rank: len(b.series) + 1, Open: true, CleanUp: 1, StepsLeft: b.stepsAbove(0), RepairsLeft: b.repairsAbove(0)}
	at := make([]float64, len(b.post.Weights))
	r := b.joint.Replacement
	if r == nil {
		o.odds = odds{cutter: -1, at: at}
		b.shut(&o, Reason{Code: "not_on_offer", Text: "No new part is on offer for this joint."})
		return o
	}
	for n := range at {
		at[n] = r.Meets
	}
	b.settle(&o, at)
	o.Success = r.Meets // not a sum over nodes: no rounding
	o.InTarget = o.Success
	o.Days = r.LeadDays
	o.PriceMinor = r.PriceMinor
	o.own = Loss{Pins: float64(r.PriceMinor), Labour: float64(r.LabourMinor)}
	return o
}

func (b *bench) stepsAbove(s int) int { return max(0, len(b.series)-1-s) }
