package fitsearch

import (
	"errors"
	"fmt"
	"slices"
	"sort"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
)

// What can be wrong with a question; the errors say what would be answered.
var (
	ErrWindow = errors.New("clearances cannot be wanted so")
	ErrSize   = errors.New("no standard fits at this size")
	ErrChoice = errors.New("unknown choice")
)

// Basis is the system of fits that is looked through.
type Basis string

// The bases of ISO 286-1; Either is hole or shaft basis, Any every pair.
const (
	HoleBasis  Basis = "hole"
	ShaftBasis Basis = "shaft"
	Either     Basis = "either"
	Any        Basis = "any"
)

// Order is what comes first.
type Order string

// The orders, as the package comment tells them.
const (
	Tightest Order = "tightest"
	Easiest  Order = "easiest"
)

// Most is how many fits are told at most.
const Most = 100

// Question is a wanted clearance and where to look.
type Question struct {
	Size            length.Length // nominal
	Least, Greatest length.Length // clearance wanted; negative is interference
	Inch            bool          // look through ASME B4.1 instead of ISO 286
	Basis           Basis         // empty: Either
	Order           Order         // empty: Tightest
	Uncommon        bool          // also classes that are not in common use
	Finest          int           // finest grade of either part; 0: any
	Limit           int           // how many; 0: 10
}

// Found is a fit inside the window, or near it.
type Found struct {
	limits.Pair
	Basis  Basis // HoleBasis, ShaftBasis or Any; H/h counts as hole basis
	Common bool
	// Below is how far the least clearance lies below the least wanted, Above how
	// far the greatest above the greatest wanted; both 0 inside.
	Below, Above length.Length
	rank         int
}

// twiceMean is a whole number where the mean clearance need not be one.
func (f *Found) twiceMean() length.Length { return f.LeastClearance + f.GreatestClearance }

// Width is the tolerances of both parts together.
func (f *Found) Width() length.Length { return f.GreatestClearance - f.LeastClearance }

// Answer is what a search found.
type Answer struct {
	Fits       []Found // inside, in order, at most Limit
	Inside     int     // how many lie inside
	Considered int
	Misses     []Found // the nearest, when none lies inside; at most three
	// Narrowest is the least width of all that were considered: a window must be as
	// wide. 0 when none was considered.
	Narrowest length.Length
}

const misses = 3

// Search looks for the fits inside the window. ErrWindow, ErrSize and ErrChoice
// tell what is wrong. Sources: ISO 286-1 and -2, ASME B4.1 (package limits).
func Search(q Question) (Answer, error) {
	if err := q.complete(); err != nil {
		return Answer{}, err
	}
	var out Answer
	inside := list{most: q.Limit, before: q.before}
	near := list{most: misses, before: func(a, b *Found) int {
		if d := a.Below + a.Above - b.Below - b.Above; d != 0 {
			return sign(d)
		}
		return q.before(a, b)
	}}
	err := q.each(func(f *Found) {
		f.rank = out.Considered
		out.Considered++
		f.Below, f.Above = max(0, q.Least-f.LeastClearance), max(0, f.GreatestClearance-q.Greatest)
		if out.Considered == 1 || f.Width() < out.Narrowest {
			out.Narrowest = f.Width()
		}
		if f.Below == 0 && f.Above == 0 {
			out.Inside++
			inside.add(f)
		} else if out.Inside == 0 {
			near.add(f)
		}
	})
	if err != nil {
		return Answer{}, err
	}
	out.Fits = inside.found
	if out.Inside == 0 {
		out.Misses = near.found
	}
	return out, nil
}

// complete fills in what was left out and refuses what cannot be.
func (q *Question) complete() error {
	if q.Basis == "" {
		q.Basis = Either
	}
	if q.Order == "" {
		q.Order = Tightest
	}
	if q.Limit == 0 {
		q.Limit = 10
	}
	switch {
	case !slices.Contains([]Basis{HoleBasis, ShaftBasis, Either, Any}, q.Basis):
		return fmt.Errorf("%w: basis %.20q is none of hole, shaft, either, any", ErrChoice, string(q.Basis))
	case q.Order != Tightest && q.Order != Easiest:
		return fmt.Errorf("%w: order %.20q is neither tightest nor easiest", ErrChoice, string(q.Order))
	case q.Limit < 1 || q.Limit > Most:
		return fmt.Errorf("%w: a limit of %d; from 1 to %d are told", ErrChoice, q.Limit, Most)
	case q.Finest < 0 || q.Finest > len(limits.Grades()):
		return fmt.Errorf("%w: grade IT%d; grades go from 1 to %d", ErrChoice, q.Finest, len(limits.Grades()))
	case q.Least > q.Greatest:
		return fmt.Errorf("%w: least %v over greatest %v; exchange them", ErrWindow, q.Least.Text(length.Micrometre), q.Greatest.Text(length.Micrometre))
	case q.Least < -q.Size || q.Greatest > q.Size:
		return fmt.Errorf("%w: beyond the size itself; is the unit right?", ErrWindow)
	case !q.Inch && (q.Size < limits.Smallest || q.Size > limits.Largest):
		return fmt.Errorf("%w: ISO fits are served from 1 mm to 50 mm", ErrSize)
	}
	return nil
}

func (q *Question) each(take func(*Found)) error {
	if q.Inch {
		return q.eachInch(take)
	}
	holes := q.zones(limits.HoleClasses(), limits.HoleZone, "H")
	shafts := q.zones(limits.ShaftClasses(), limits.ShaftZone, "h")
	var f Found
	for i := range holes {
		hole := &holes[i]
		for j := range shafts {
			shaft := &shafts[j]
			f = Found{Basis: Any, Common: hole.Printed && shaft.Printed}
			switch {
			case hole.basic:
				f.Basis = HoleBasis
			case shaft.basic:
				f.Basis = ShaftBasis
			}
			if !q.wants(f.Basis, hole.basic && shaft.basic) {
				continue
			}
			f.Pair = limits.PairOf(limits.Fit{Hole: hole.Class, Shaft: shaft.Class}, q.Size, hole.Limits, shaft.Limits)
			take(&f)
		}
	}
	return nil
}

// wants tells whether a fit of a basis is looked for; H/h is of both.
func (q *Question) wants(basis Basis, both bool) bool {
	switch q.Basis {
	case Any:
		return true
	case Either:
		return basis != Any
	}
	return basis == q.Basis || both
}

type zone struct {
	limits.Zone
	basic bool // H or h
}

// zones are the classes that have limits at the size and are wanted.
func (q *Question) zones(classes []string, find func(string, length.Length) (limits.Zone, error), basic string) []zone {
	var out []zone
	for _, class := range classes {
		if !q.Uncommon && !limits.Printed(class) {
			continue
		}
		z, err := find(class, q.Size)
		if err != nil || z.GradeNumber < q.Finest { // no limits at this size
			continue
		}
		letter := class[:len(class)-len(z.Grade)+len("IT")]
		out = append(out, zone{z, letter == basic})
	}
	return out
}

func (q *Question) eachInch(take func(*Found)) error {
	some := false
	for _, class := range limits.InchClasses() {
		p, err := limits.InchFit(class, q.Size)
		if err != nil { // the class has no values at this size
			continue
		}
		some = true
		if q.wants(HoleBasis, false) {
			take(&Found{Pair: p, Basis: HoleBasis, Common: true})
		}
	}
	if !some {
		return fmt.Errorf("%w: no inch fit has values at %s; they have some over 0 up to 3.15 in", ErrSize, q.Size.Text(length.Inch))
	}
	return nil
}

// before is the order of fits; the rank, by which they were formed, is that of
// the standard.
func (q *Question) before(a, b *Found) int {
	tight, easy := sign(a.twiceMean()-b.twiceMean()), sign(b.Width()-a.Width())
	first, second := tight, easy
	if q.Order == Easiest {
		first, second = easy, tight
	}
	for _, d := range []int{first, second, place(a.Basis) - place(b.Basis), common(b) - common(a)} {
		if d != 0 {
			return d
		}
	}
	return a.rank - b.rank
}

func place(b Basis) int { return slices.Index([]Basis{HoleBasis, ShaftBasis, Any}, b) }

func common(f *Found) int {
	if f.Common {
		return 1
	}
	return 0
}

func sign(l length.Length) int {
	switch {
	case l < 0:
		return -1
	case l > 0:
		return 1
	}
	return 0
}

// list keeps the first few of what is added, in order.
type list struct {
	most   int
	before func(a, b *Found) int
	found  []Found
}

// add keeps a copy of f if it is among the first.
func (l *list) add(f *Found) {
	if len(l.found) == l.most {
		if l.before(f, &l.found[l.most-1]) >= 0 {
			return
		}
		l.found = l.found[:l.most-1]
	}
	at := sort.Search(len(l.found), func(i int) bool { return l.before(f, &l.found[i]) < 0 })
	l.found = slices.Insert(l.found, at, *f)
}
