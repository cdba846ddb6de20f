package survival

import (
	"errors"
	"fmt"
	"math"
)

// Few is the least number of failures from which a law is fitted.
const Few = 5

// Errors of this package; those that are returned say which life they are about.
var (
	ErrLife = errors.New("not a life")
	ErrFew  = errors.New("too few failures")
)

// Life is what is known of one life, in one measure for all.
type Life struct {
	Entered     float64 // watched from here on; 0 for from the beginning
	From, Until float64 // it ended in (From, Until]; equal: seen to end there; Until infinite: not ended at From
}

// Ended is a life that was seen to end at t, watched from its beginning.
func Ended(t float64) Life { return Life{From: t, Until: t} }

// Lasting is a life that had not ended at t, watched from its beginning.
func Lasting(t float64) Life { return Life{From: t, Until: math.Inf(1)} }

// Between is a life that had not ended at the inspection at from and had at the one
// at until, watched from its beginning.
func Between(from, until float64) Life { return Life{From: from, Until: until} }

// EnteredAt is l, watched from e on only.
func (l Life) EnteredAt(e float64) Life {
	l.Entered = e
	return l
}

func (l Life) failed() bool { return !math.IsInf(l.Until, 1) }
func (l Life) exact() bool  { return l.From == l.Until }

// check reports the first life that cannot be. Something that ended where its watch
// began was not watched; something that lasted until there tells nothing and is allowed.
func check(lives []Life) error {
	for i, l := range lives {
		switch {
		case math.IsNaN(l.Entered) || math.IsNaN(l.From) || math.IsNaN(l.Until) || math.IsInf(l.Entered, 0) || math.IsInf(l.From, 0):
			return fmt.Errorf("%w: life %d has an end or a beginning that is no number", ErrLife, i+1)
		case l.Entered < 0 || l.From < l.Entered || l.Until < l.From:
			return fmt.Errorf("%w: life %d was watched from %g and ended in (%g, %g]", ErrLife, i+1, l.Entered, l.From, l.Until)
		case l.exact() && (l.From == l.Entered || l.From == 0):
			return fmt.Errorf("%w: life %d ended where its watch began, at %g", ErrLife, i+1, l.From)
		}
	}
	return nil
}

func failures(lives []Life) int {
	n := 0
	for _, l := range lives {
		if l.failed() {
			n++
		}
	}
	return n
}
