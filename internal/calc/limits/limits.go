package limits

import (
	"errors"
	"fmt"
	"strings"

	"pinwright/internal/calc/length"
)

// What can be wrong with a question. The errors returned wrap one of these and
// say what would be answered.
var (
	ErrSymbol = errors.New("not a fit symbol")
	ErrClass  = errors.New("unknown tolerance class")
	ErrSize   = errors.New("size outside the table")
)

// The sizes for which metric limits are served.
const (
	Smallest length.Length = 1_000_000
	Largest  length.Length = 50_000_000
)

// Limits are the lower and upper deviation of a hole or shaft: what is added to
// the nominal size to get its limits of size.
type Limits struct{ Lower, Upper length.Length }

// Width is the tolerance: upper minus lower.
func (l Limits) Width() length.Length { return l.Upper - l.Lower }

// Of returns the limits of size for a nominal size.
func (l Limits) Of(size length.Length) (least, greatest length.Length) {
	return size + l.Lower, size + l.Upper
}

// Hole returns the deviations of a hole class such as "H7" at a nominal size
// from 1 mm up to and including 50 mm. ErrClass and ErrSize say what is served
// instead. Source: ISO 286-1 and 286-2, tables and rules.
func Hole(class string, size length.Length) (Limits, error) {
	s, err := holeStep(class, size)
	return s.hole, err
}

// Shaft returns the deviations of a shaft class such as "g6"; otherwise as Hole.
func Shaft(class string, size length.Length) (Limits, error) {
	s, err := shaftStep(class, size)
	return s.hole, err
}

// HoleZone is Hole with how the limits came about.
func HoleZone(class string, size length.Length) (Zone, error) {
	s, err := holeStep(class, size)
	if err != nil {
		return Zone{}, err
	}
	return s.zone(class, true), nil
}

// ShaftZone is Shaft with how the limits came about.
func ShaftZone(class string, size length.Length) (Zone, error) {
	s, err := shaftStep(class, size)
	if err != nil {
		return Zone{}, err
	}
	return s.zone(class, false), nil
}

func (s step) zone(class string, hole bool) Zone {
	t := load()
	return Zone{Class: class, Hole: hole, Limits: s.hole, Over: s.over, UpTo: s.upTo, Grade: t.gradeNames[s.grade-1], GradeNumber: s.grade,
		Letter: s.letter, Delta: s.delta, Rule: s.rule, Printed: t.printed[class]}
}

func holeStep(class string, size length.Length) (step, error) {
	t := load()
	l, known := t.holes[class]
	if !known {
		if _, shaft := t.shafts[class]; shaft {
			return step{}, fmt.Errorf("%w: %s is a shaft; holes have capital letters, such as H7", ErrClass, class)
		}
		return step{}, fmt.Errorf("%w: no hole class %s; known are the letters %s with a grade from 1 to 12, such as H7 (K to ZC from 3 on over 3 mm, J from 6 to 8)",
			ErrClass, quote(class), strings.ToUpper(strings.Join(shaftLetters, ", ")))
	}
	return metric(l, class, size)
}

func shaftStep(class string, size length.Length) (step, error) {
	t := load()
	l, known := t.shafts[class]
	if !known {
		if _, hole := t.holes[class]; hole {
			return step{}, fmt.Errorf("%w: %s is a hole; shafts have small letters, such as g6", ErrClass, class)
		}
		return step{}, fmt.Errorf("%w: no shaft class %s; known are the letters %s with a grade from 1 to 12, such as g6 (j with 5 or 6)",
			ErrClass, quote(class), strings.Join(shaftLetters, ", "))
	}
	return metric(l, class, size)
}

// Grade returns the width of a standard tolerance grade, "IT1" to "IT12", at a
// nominal size from 1 to 50 mm. Source: ISO 286-1, table 1.
func Grade(grade string, size length.Length) (length.Length, error) {
	t := load()
	l, known := t.grades[grade]
	if !known {
		return 0, fmt.Errorf("%w: no tolerance grade %s; known are %s", ErrClass, quote(grade), t.gradeListed)
	}
	s, err := metric(l, grade, size)
	return s.hole.Upper, err
}

func metric(l ladder, class string, size length.Length) (step, error) {
	if size < Smallest || size > Largest {
		return step{}, fmt.Errorf("%w: %s; ISO limits are served from 1 mm to 50 mm", ErrSize, size.Text(length.Millimetre))
	}
	s, found := l.at(size)
	if !found {
		return step{}, fmt.Errorf("%w: %s has no limits at %s; it has them over %s up to %s", ErrSize, class,
			size.Text(length.Millimetre), l[0].over.Text(length.Millimetre), l[len(l)-1].upTo.Text(length.Millimetre))
	}
	return s, nil
}

// HoleClasses lists the hole classes served, by letter in the order of the
// standard, then grade. Some have limits at some sizes only.
func HoleClasses() []string { return append([]string(nil), load().holeNames...) }

// ShaftClasses lists the shaft classes served; otherwise as HoleClasses.
func ShaftClasses() []string { return append([]string(nil), load().shaftNames...) }

// Printed tells the classes in common use, whose rows of ISO 286-2 were
// transcribed, from those that are only derived by the rules of ISO 286-1.
func Printed(class string) bool { return load().printed[class] }

// Grades lists the standard tolerance grades served.
func Grades() []string { return append([]string(nil), load().gradeNames...) }

// InchClasses lists the classes of inch fits served.
func InchClasses() []string { return append([]string(nil), load().inchNames...) }

// splitClass cuts "H7" into its letters and its number; a class without a number has -1.
func splitClass(class string) (letters string, number int) {
	end := strings.IndexAny(class, "0123456789")
	if end < 0 {
		return class, -1
	}
	for _, digit := range class[end:] {
		number = number*10 + int(digit-'0')
	}
	return class[:end], number
}

// quote shows what was asked for without repeating an over-long text.
func quote(text string) string {
	const most = 20
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + "…"
	}
	return fmt.Sprintf("%q", text)
}
