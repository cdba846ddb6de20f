package cutting

import (
	"fmt"
	"maps"

	"pinwright/internal/calc/severity"
)

// WearByCutting is how much more one way of cutting wears the club's reamers than another.
type WearByCutting struct {
	severity.Ratios
	Reamers int // with a life that tells
	Holes   int // whose size was seen
	Metres  map[severity.Way]float64
}

// openRate is the doubt of a life's own rate, in usual rates, when ways of cutting are compared. The usual doubt would hold a
// reamer that wears ten times as fast to its usual rate with oil, and put the rest on what it cut dry.
const openRate = 20

// WearByCutting learns from all lives of all reamers that k holds.
func (k *Known) WearByCutting() (WearByCutting, error) {
	out := WearByCutting{Metres: map[severity.Way]float64{}}
	var lives []severity.Life
	for _, r := range k.Reamers(Ask{Ways: true}) {
		tells := false
		for _, l := range r.Lives {
			for w, metres := range l.Cut {
				out.Metres[w] += metres
			}
			if l.Seen() < 2 {
				continue
			}
			life := severity.Life{Prior: l.Law.Prior}
			life.Prior.RateU = max(life.Prior.RateU, openRate*life.Prior.Rate)
			for _, e := range l.Events {
				life.Holes = append(life.Holes, severity.Hole{Cut: e.Cut, Size: e.Size, U: e.U})
			}
			lives, tells = append(lives, life), true
			out.Holes += l.Seen()
		}
		if tells {
			out.Reamers++
		}
	}
	var err error
	if out.Ratios, err = severity.Learn(lives, Coverage); err != nil {
		return out, fmt.Errorf("cutting: %w", err)
	}
	return out, nil
}

func wayOf(material, lubricant *string) severity.Way {
	var w severity.Way
	if material != nil {
		w.Material = *material
	}
	if lubricant != nil {
		w.Lubricant = *lubricant
	}
	return w
}

// cut counts metres that were cut in one way.
func (l *Life) cut(w severity.Way, metres float64) {
	if l.Cut == nil {
		l.Cut = map[severity.Way]float64{}
	}
	l.Cut[w] += metres
}

func (l *Life) cutSoFar() map[severity.Way]float64 { return maps.Clone(l.Cut) }
