package limits

import (
	"fmt"
	"slices"
	"strings"

	"pinwright/internal/calc/length"
)

// Rule is the rule of ISO 286-1 by which the limits of a class follow from its
// fundamental deviation and its tolerance grade.
type Rule int8

// The rules. Where a class also stands in the transcribed tables of ISO 286-2,
// rule and table agree.
const (
	// FromZero: the deviation nearest to zero is the same in every grade: shafts
	// a to h and m to zc, holes A to H.
	FromZero Rule = iota
	// Symmetrical: half the grade to either side: js and JS.
	Symmetrical
	// KShaft: k has a deviation in grades 4 to 7, in others it begins at zero.
	KShaft
	// Delta: holes K, M, N up to IT8 and P to ZC up to IT7 end at minus the
	// shaft's deviation plus delta, the step to the next finer grade; up to 3 mm
	// delta is 0.
	Delta
	// Mirrored: the hole ends at minus the shaft's deviation: K up to 3 mm and M
	// above IT8, P to ZC above IT7.
	Mirrored
	// NAboveIT8: holes N of grades above IT8 end at zero over 3 mm.
	NAboveIT8
	// Listed: j and J follow no rule; each grade has its own deviation.
	Listed
)

// Formula says the rule in symbols.
func (r Rule) Formula() string {
	switch r {
	case Symmetrical:
		return "plus and minus IT / 2"
	case KShaft:
		return "ei = k in IT4 to IT7, else 0"
	case Delta:
		return "ES = -ei + delta, delta = ITn - IT(n-1) over 3 mm, else 0"
	case Mirrored:
		return "ES = -ei"
	case NAboveIT8:
		return "ES = 0"
	case Listed:
		return "the table's deviation for this grade"
	}
	return "the table's deviation for this letter, in every grade"
}

// Source says where the rule is printed.
func (r Rule) Source() string {
	switch r {
	case Symmetrical, KShaft, FromZero, Listed:
		return "ISO 286-1, tables of fundamental deviations"
	}
	return "ISO 286-1, table of the fundamental deviations of holes and its rule for K to ZC"
}

// Zone is the tolerance zone of a class at a size: its limits and how they came
// about.
type Zone struct {
	Class string
	Hole  bool
	Limits
	// Over and UpTo bound the step of sizes in which the limits hold: over the
	// first, up to and including the second.
	Over, UpTo  length.Length
	Grade       string        // "IT7"
	GradeNumber int           // 7
	Letter      length.Length // the shaft letter's fundamental deviation, from the table
	Delta       length.Length // 0 where the rule has none
	Rule        Rule
	// Printed tells a class that also stands in the transcribed tables of ISO
	// 286-2 from one that is derived by the rule alone.
	Printed bool
}

// The letters of ISO 286-1; cd, ef and fg have values up to 10 mm only, t, v and
// y only from 24, 14 and 18 mm on.
var shaftLetters = []string{"a", "b", "c", "cd", "d", "e", "ef", "f", "fg", "g", "h", "j", "js", "k", "m", "n", "p", "r", "s", "t", "u", "v", "x", "y", "z", "za", "zb", "zc"}

// coarsest and finest are the grades of it_grades.csv.
const (
	finest   = 1
	coarsest = 12
)

// builder works out every class from the two tables of ISO 286-1.
type builder struct {
	grades  map[string]ladder // by "IT7"
	letters map[string]ladder // by "g", or by class for j; hole.Upper is the deviation
}

// zones builds the ladder of one class; nil when no size has it.
func (b builder) zones(letter string, n int, hole bool) ladder {
	class := fmt.Sprintf("%s%d", letter, n)
	if hole {
		class = strings.ToUpper(class)
	}
	var out ladder
	for _, grade := range b.grades[fmt.Sprintf("IT%d", n)] {
		for _, d := range b.deviations(letter, class, grade) {
			s, ok := b.zone(letter, n, hole, grade, d)
			if !ok {
				continue
			}
			s.over = max(s.over, least(letter, n, hole))
			last := len(out) - 1
			if last >= 0 && out[last].upTo == s.over && out[last].over >= grade.over && out[last].hole == s.hole {
				out[last].upTo = s.upTo
				continue
			}
			out = append(out, s)
		}
	}
	return out
}

// deviations are the steps of a letter's deviation within a step of the grade.
func (b builder) deviations(letter, class string, grade step) ladder {
	switch letter {
	case "js":
		return ladder{{over: grade.over, upTo: grade.upTo}}
	case "j":
		letter = class
	}
	var out ladder
	for _, d := range b.letters[letter] {
		d.over, d.upTo = max(d.over, grade.over), min(d.upTo, grade.upTo)
		if d.over < d.upTo {
			out = append(out, d)
		}
	}
	return out
}

// least is the size over which a class may be used: 1 mm itself has no a, b and no
// hole N above IT8 (ISO 286-1, footnotes of the tables of fundamental deviations).
func least(letter string, n int, hole bool) length.Length {
	if letter == "a" || letter == "b" || hole && letter == "n" && n > 8 {
		return Smallest
	}
	return 0
}

const threeMillimetres length.Length = 3_000_000

// zone applies the rules to one step.
func (b builder) zone(letter string, n int, hole bool, grade, d step) (step, bool) {
	it, deviation := grade.hole.Upper, d.hole.Upper
	s := step{over: d.over, upTo: d.upTo, grade: n, letter: deviation, rule: FromZero}
	// up and down place a zone above or below its nearest deviation.
	up := func(from length.Length) Limits { return Limits{Lower: from, Upper: from + it} }
	down := func(from length.Length) Limits { return Limits{Lower: from - it, Upper: from} }
	place := slices.Index(shaftLetters, letter)
	switch {
	case letter == "js":
		s.rule, s.hole = Symmetrical, Limits{Lower: -it / 2, Upper: it / 2}
	case letter == "j" && hole:
		s.rule, s.hole = Listed, down(deviation)
	case letter == "j":
		s.rule, s.hole = Listed, up(deviation)
	case place <= slices.Index(shaftLetters, "h") && hole:
		s.hole = up(-deviation)
	case place <= slices.Index(shaftLetters, "h"):
		s.hole = down(deviation)
	case !hole && letter == "k":
		if n < 4 || n > 7 {
			deviation = 0
		}
		s.rule, s.hole = KShaft, up(deviation)
	case !hole:
		s.hole = up(deviation)
	default:
		return b.turnedHole(letter, s, grade)
	}
	return s, true
}

// turnedHole places holes K to ZC, which end where the shaft of the same letter
// begins, turned about zero.
func (b builder) turnedHole(letter string, s step, grade step) (step, bool) {
	small := grade.upTo <= threeMillimetres
	early := letter == "k" || letter == "m" || letter == "n"
	end := -s.letter
	switch {
	case early && s.grade <= 8 || s.grade <= 7:
		s.rule = Delta
		if !small {
			if s.grade < 3 { // delta is given from IT3 on
				return step{}, false
			}
			finer, _ := b.grades[fmt.Sprintf("IT%d", s.grade-1)].at(grade.upTo)
			s.delta = grade.hole.Upper - finer.hole.Upper
			end += s.delta
		}
	case letter == "n" && !small:
		s.rule, end = NAboveIT8, 0
	case letter == "k" && !small: // K has no value above IT8 over 3 mm
		return step{}, false
	default:
		s.rule = Mirrored
	}
	s.hole = Limits{Lower: end - grade.hole.Upper, Upper: end}
	return s, true
}
