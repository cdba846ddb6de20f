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
// over 1 mm or equal to it, up to and including 50 mm. ErrClass and ErrSize say
// what is served instead. Source: ISO 286-1 and 286-2, tables.
func Hole(class string, size length.Length) (Limits, error) {
	t := load()
	l, known := t.holes[class]
	if !known {
		if _, shaft := t.shafts[class]; shaft {
			return Limits{}, fmt.Errorf("%w: %s is a shaft; holes have capital letters, such as H7", ErrClass, class)
		}
		return Limits{}, fmt.Errorf("%w: no hole class %s; known are %s", ErrClass, quote(class), t.holeListed)
	}
	s, err := metric(l, class, size)
	return s.hole, err
}

// Shaft returns the deviations of a shaft class such as "g6"; otherwise as Hole.
func Shaft(class string, size length.Length) (Limits, error) {
	t := load()
	l, known := t.shafts[class]
	if !known {
		if _, hole := t.holes[class]; hole {
			return Limits{}, fmt.Errorf("%w: %s is a hole; shafts have small letters, such as g6", ErrClass, class)
		}
		return Limits{}, fmt.Errorf("%w: no shaft class %s; known are %s", ErrClass, quote(class), t.shaftListed)
	}
	s, err := metric(l, class, size)
	return s.hole, err
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
		return step{}, fmt.Errorf("%w: %s has no limits at %s", ErrSize, class, size.Text(length.Millimetre))
	}
	return s, nil
}

// HoleClasses lists the hole classes served, by letter, then grade.
func HoleClasses() []string { return append([]string(nil), load().holeNames...) }

// ShaftClasses lists the shaft classes served, by letter, then grade.
func ShaftClasses() []string { return append([]string(nil), load().shaftNames...) }

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
