package choice

import "math"

// priceRisk gives every option its way out and the expected cost of needing
// it. After a failed cut the way out is the cheapest of the next larger step
// (its odds given that the smaller cut failed), a bush, a new part, or nothing;
// worked from the largest step down. After a fit without cutting it is the
// cheapest cut, bush or part.
func (b *bench) priceRisk(ladder []int) {
	var bush, part *Option
	for i := range b.laid {
		switch o := &b.laid[i]; o.Kind {
		case BushBack:
			bush = o
		case ReplacePart:
			part = o
		}
	}
	none := WayOut{Step: -1, LossMinor: b.losses.NoWayOut}
	part.WayOut = none
	part.own.Risk = (1 - part.Success) * none.LossMinor

	bush.WayOut = none
	if part.Open {
		bush.WayOut = b.cheaper(none, *part)
	}
	bush.WayOut.LossMinor += b.losses.FailedCut
	bush.own.Risk = (1 - bush.Success) * bush.WayOut.LossMinor

	last := none
	for _, o := range []*Option{bush, part} {
		if o.Open {
			last = b.cheaper(last, *o)
		}
	}
	b.priceHones(last)
	ways := make(map[int]WayOut, len(ladder))
	for i := len(ladder) - 1; i >= 0; i-- {
		s := ladder[i]
		o := b.laidReam(s)
		way := last
		if i+1 < len(ladder) {
			next := b.laidReam(ladder[i+1])
			given := 0.0
			if o.Success < 1 {
				c, d := b.cuts[s], b.cuts[next.Step]
				for n, w := range b.post.Weights {
					given += w * math.Max(0, d.joint[n]-c.clean[n]*d.target[n])
				}
				given = clampProbability(given / (1 - o.Success))
			}
			bare := b.alone(*next)
			bare.Risk = (1 - given) * ways[next.Step].LossMinor
			if t := bare.Total(); t < way.LossMinor {
				way = WayOut{Kind: ReamTo, Step: next.Step, LossMinor: t}
			}
		}
		way.LossMinor += b.losses.FailedCut
		if o.Allowance.Mean > 0 {
			way.LossMinor += b.losses.LostWall * o.Allowance.Mean / 100
		}
		ways[s] = way
		o.WayOut = way
		o.own.Risk = (1 - o.Success) * way.LossMinor
	}
	for i := range b.laid {
		o := &b.laid[i]
		if o.Kind == CutSmallerAndLook {
			o.WayOut = ways[o.Last]
			o.own.Risk = (1 - o.Success) * o.WayOut.LossMinor
		}
	}
	best := none
	for _, o := range b.laid {
		if o.Open && (o.Kind == ReamTo || o.Kind == CutSmallerAndLook || o.Kind == HoneTo || o.Kind == BushBack || o.Kind == ReplacePart) {
			best = b.cheaper(best, o)
		}
	}
	best.LossMinor += b.losses.FailedTry
	for i := range b.laid {
		o := &b.laid[i]
		switch o.Kind {
		case Leave, CleanAndLubricate, NewStandardPin, NewPinAsFitted:
			o.WayOut = best
			o.own.Risk = (1 - o.Success) * best.LossMinor
		case ReamTo:
			if !o.Open { // not on the ladder; still comparable
				o.WayOut = last
				o.own.Risk = (1 - o.Success) * last.LossMinor
			}
		}
	}
}

func (b *bench) cheaper(w WayOut, o Option) WayOut {
	if t := b.alone(o).Total(); t < w.LossMinor {
		return WayOut{Kind: o.Kind, Step: o.Step, LossMinor: t}
	}
	return w
}

func (b *bench) laidReam(s int) *Option {
	for i := range b.laid {
		if b.laid[i].Kind == ReamTo && b.laid[i].Step == s {
			return &b.laid[i]
		}
	}
	panic("choice: a step of the ladder that was not laid out")
}
