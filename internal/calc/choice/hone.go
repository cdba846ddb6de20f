package choice

// Hone brings a bore to the size that a pin in hand asks for: by a club's honing
// tool or by a workshop. It is what is left for hardened bores, and takes fine
// stock only.
type Hone struct {
	Code        string  // whose, or with what
	U, Scatter  float64 // of the finished size: shared between the bores, and from bore to bore, µm
	MaxStock    float64 // what is reasonably honed away, µm on diameter; more takes a further visit
	LabourMinor int64   // one bore
	FeeMinor    int64   // once for the joint
	WaitDays    int     // until it can be done
	Available   bool
}

// asReamer is the law of the honed bore for the pin of a step: honed to the
// middle of the target about that very pin.
func (h Hone) asReamer(pin float64, j Joint) Reamer {
	return Reamer{Code: h.Code, Diameter: pin + j.Coating + j.Target.Mid(), OvercutU: h.U, Scatter: h.Scatter, MaxCut: h.MaxStock, Available: h.Available}
}

// hone lays out honing for the pin of step s. The pin is bought first and
// measured, so its tolerance takes nothing from the target; its held bores are
// treated as when reaming.
func (b *bench) hone(s int) Option {
	j, h := b.joint, *b.joint.Hone
	step := b.series[s]
	pin := step
	pin.Pin = Interval{step.Pin.Mid(), step.Pin.Mid()}
	r := h.asReamer(step.Pin.Mid(), j)
	pin.Reamer = &r
	o := Option{Kind: HoneTo, Step: s, Last: s, Rank: s, Open: true, StepsLeft: b.stepsAbove(s), RepairsLeft: b.repairsAbove(s),
		Days: max(step.LeadDays, h.WaitDays), PriceMinor: step.PriceMinor}
	cut := cutJoint(b.post, j, pin, holding(b.post, j, pin), b.kept)
	b.settle(&o, cut.joint)
	o.CleanUp = average(b.post.Weights, cut.clean)
	o.InTarget = average(b.post.Weights, cut.target)
	c := cutClearance(j, r.cut(), pin.Pin)
	o.Clearance, o.Play = &c, &c
	o.Interference = interference(b.post, j, step)
	a, _, much := allowance(b.post, j, r)
	o.Allowance, o.TooMuch = &a, much
	o.Passes = []Pass{{h.Code, false, r.cut().mean, a.Mean}}
	o.own = Loss{
		Pins:   float64(step.PriceMinor),
		Labour: b.holes()*float64(h.LabourMinor) + float64(h.FeeMinor) + b.losses.Assemble + much*b.losses.ExtraPass*b.holes(),
		Steps:  b.losses.StepSpent * float64(max(0, s-j.Fitted)),
	}
	b.needPin(&o, s)
	if !h.Available {
		b.shut(&o, Reason{Code: "reamer_not_available", Text: "No honing tool or workshop can be had."})
	}
	if s < j.Fitted {
		b.shut(&o, Reason{Code: "already_larger", Text: "The bores have been cut to a larger step already."})
	}
	b.needHeldReamer(&o, s)
	b.forbid(&o, func(r factRule) bool { return r.hone })
	b.wall(&o, r.cut().mean)
	return o
}

// priceHones gives each hone its way out: the next larger one, or what is left
// after all cuts.
func (b *bench) priceHones(last WayOut) {
	next := -1
	for i := len(b.laid) - 1; i >= 0; i-- {
		o := &b.laid[i]
		if o.Kind != HoneTo {
			continue
		}
		way := last
		if next >= 0 {
			way = b.cheaper(way, b.laid[next])
		}
		way.LossMinor += b.losses.FailedCut
		o.WayOut = way
		o.own.Risk = (1 - o.Success) * way.LossMinor
		if o.Open {
			next = i
		}
	}
}
