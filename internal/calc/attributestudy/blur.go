package attributestudy

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Blur is where the gauge decides and how sharply, in micrometres.
type Blur struct {
	// Half is the size at which half are accepted, from the parts' origin.
	Half float64
	// SD is the standard deviation of where the gauge is felt to go; 0 when no decision
	// was in doubt, and then Half is the middle of the gap.
	SD        float64
	Low, High float64 // profile-likelihood interval of SD; High is infinite when the sizes hardly tell
	Width     float64 // of the zone from 1 % to 99 % accepted
	// Feel is what an uncertainty budget should take: SD, or High when SD is 0, since no
	// doubt seen is not no doubt.
	Feel float64
}

// Zone is the sizes between which decisions were seen to differ.
type Zone struct {
	Low, High float64 // µm from the parts' origin
	Width     float64
}

// grey is from 1 % to 99 % of the normal law, in standard deviations.
var grey = 2 * distuv.UnitNormal.Quantile(0.99)

// tried is the decisions on one part.
type tried struct{ at, yes, no float64 }

// tries orders decisions so that acceptance grows with at.
func (s Study) tries(accepted [][]bool) []tried {
	out := make([]tried, len(accepted))
	for j, trials := range accepted {
		out[j].at = *s.Parts[j].Size
		if s.AcceptsSmall {
			out[j].at = -out[j].at
		}
		for _, a := range trials {
			if a {
				out[j].yes++
			} else {
				out[j].no++
			}
		}
	}
	return out
}

// edges are the least size accepted once and the greatest refused once, and
// whether both kinds of decision occurred.
func edges(list []tried) (leastYes, greatestNo float64, both bool) {
	leastYes, greatestNo = math.Inf(1), math.Inf(-1)
	for _, t := range list {
		if t.yes > 0 {
			leastYes = math.Min(leastYes, t.at)
		}
		if t.no > 0 {
			greatestNo = math.Max(greatestNo, t.at)
		}
	}
	return leastYes, greatestNo, !math.IsInf(leastYes, 0) && !math.IsInf(greatestNo, 0)
}

func (s Study) seen(accepted [][]bool) *Zone {
	if s.Parts[0].Size == nil {
		return nil
	}
	yes, no, both := edges(s.tries(accepted))
	if !both {
		return nil
	}
	z := Zone{Low: math.Min(yes, no), High: math.Max(yes, no)}
	if s.AcceptsSmall {
		z.Low, z.High = -z.High, -z.Low
	}
	if yes <= no {
		z.Width = z.High - z.Low
	}
	return &z
}

// backwards says that acceptance does not grow with size in the direction stated,
// over all people.
func (s Study) backwards() bool {
	var all [][]bool
	for j := range s.Parts {
		var trials []bool
		for _, person := range s.Accepted {
			trials = append(trials, person[j]...)
		}
		all = append(all, trials)
	}
	list := s.tries(all)
	_, _, both := edges(list)
	return both && !rising(list)
}

// rising says that the sizes accepted are larger on the whole than those refused: only
// then does the likelihood have its greatest value at a finite blur, or at none.
func rising(list []tried) bool {
	var yes, no, sumYes, sumNo float64
	for _, t := range list {
		yes, no = yes+t.yes, no+t.no
		sumYes, sumNo = sumYes+t.yes*(t.at-list[0].at), sumNo+t.no*(t.at-list[0].at)
	}
	return sumYes*no > sumNo*yes
}

// blur fits Φ(b x - a), b = 1/σ, nil when nothing can be told. In a and b the log
// likelihood is concave (J. W. Pratt, J. Amer. Statist. Assoc. 76 (1981) 103), so that
// each search has one answer.
func (s Study) blur(accepted [][]bool) *Blur {
	list := s.tries(accepted)
	yes, no, both := edges(list)
	if !both || !rising(list) {
		return nil
	}
	origin, scale := 0.0, 0.0
	for _, t := range list {
		origin += t.at / float64(len(list))
	}
	for _, t := range list {
		scale = math.Max(scale, math.Abs(t.at-origin))
	}
	f := fit{list: make([]tried, len(list))}
	for i, t := range list {
		f.list[i] = tried{(t.at - origin) / scale, t.yes, t.no}
	}
	drop := distuv.ChiSquared{K: 1}.Quantile(s.Confidence) / 2
	out := Blur{}
	var best float64
	var top, half float64 // slope of the greatest likelihood
	if no < yes {         // nobody was in doubt: the likelihood grows without end as b does
		top, half, best = math.Inf(1), (yes+no)/2, 0
	} else if no == yes && f.separated(yes, origin, scale) {
		// Only parts of one size were in doubt; the sharper the gauge the better.
		top, half, best = math.Inf(1), yes, f.atEdge((yes-origin)/scale)
	} else {
		top = f.steepest()
		var a float64
		best, a = f.profile(top)
		half = origin + scale*a/top
		out.SD = scale / top
		out.Low = scale / f.crossing(top, best-drop, true)
	}
	out.High = math.Inf(1)
	if flat, _ := f.profile(0); flat < best-drop {
		out.High = scale / f.crossing(math.Min(top, sharpest), best-drop, false)
	}
	out.Half, out.Width = half, grey*out.SD
	if s.AcceptsSmall {
		out.Half = -out.Half
	}
	out.Feel = out.SD
	if out.SD == 0 {
		out.Feel = out.High
	}
	return &out
}
