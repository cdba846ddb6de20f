package limits

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"sync"

	"pinwright/internal/calc/length"
)

var (
	//go:embed iso286.csv
	iso286CSV []byte
	//go:embed it_grades.csv
	gradesCSV []byte
	//go:embed deviations.csv
	deviationsCSV []byte
	//go:embed asme_b41.csv
	inchCSV []byte
)

// step is one row of a table: what holds for sizes over its first and up to and
// including its last size. Tables of one limit pair use hole alone, metric shafts
// too; the rest tells how a metric zone came about.
type step struct {
	over, upTo    length.Length
	hole, shaft   Limits
	grade         int
	letter, delta length.Length
	rule          Rule
}

// ladder is the steps of one class, ascending.
type ladder []step

// at finds the step of a size. Classes have at most eleven steps, so a scan from
// the bottom beats a search, and it allocates nothing.
func (l ladder) at(size length.Length) (step, bool) {
	for i := range l {
		if size <= l[i].upTo {
			return l[i], size > l[i].over
		}
	}
	return step{}, false
}

type tables struct {
	holes, shafts, grades, inch                  map[string]ladder
	holeNames, shaftNames, inchNames, gradeNames []string
	inchListed, gradeListed                      string
	printed                                      map[string]bool // metric classes of ISO 286-2
}

// load reads the embedded tables and builds the metric classes once, at first use.
var load = sync.OnceValue(func() *tables {
	t := &tables{holes: map[string]ladder{}, shafts: map[string]ladder{}, grades: map[string]ladder{}, inch: map[string]ladder{}, printed: map[string]bool{}}
	for _, row := range read(iso286CSV) {
		t.printed[row["class"]] = true
	}
	for _, row := range read(gradesCSV) {
		s := row.step()
		s.hole.Upper = row.size("tolerance_um", length.Micrometre)
		t.grades[row["grade"]] = append(t.grades[row["grade"]], s)
	}
	letters := map[string]ladder{}
	for _, row := range read(deviationsCSV) {
		s := row.step()
		s.hole.Upper = row.size("deviation_um", length.Micrometre)
		letters[row["symbol"]] = append(letters[row["symbol"]], s)
	}
	for _, row := range read(inchCSV) {
		s := step{over: row.size("over_in", length.Inch), upTo: row.size("to_in", length.Inch)}
		s.hole = Limits{Lower: row.size("hole_lower_thou", length.Thou), Upper: row.size("hole_upper_thou", length.Thou)}
		s.shaft = Limits{Lower: row.size("shaft_lower_thou", length.Thou), Upper: row.size("shaft_upper_thou", length.Thou)}
		t.inch[row["class"]] = append(t.inch[row["class"]], s)
	}
	t.gradeNames, t.gradeListed = arrange(t.grades)
	t.inchNames, t.inchListed = arrange(t.inch)
	sorted(letters)
	b := builder{grades: t.grades, letters: letters}
	for _, letter := range shaftLetters {
		for n := finest; n <= coarsest; n++ {
			class := fmt.Sprintf("%s%d", letter, n)
			if l := b.zones(letter, n, false); l != nil {
				t.shafts[class], t.shaftNames = l, append(t.shaftNames, class)
			}
			class = strings.ToUpper(class)
			if l := b.zones(letter, n, true); l != nil {
				t.holes[class], t.holeNames = l, append(t.holeNames, class)
			}
		}
	}
	return t
})

// sorted puts the steps of every ladder in order.
func sorted(ladders map[string]ladder) {
	for _, l := range ladders {
		slices.SortFunc(l, func(a, b step) int { return int(a.upTo - b.upTo) })
	}
}

// arrange sorts every ladder and lists the classes by letter, then number.
func arrange(classes map[string]ladder) (names []string, listed string) {
	sorted(classes)
	for name := range classes {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		letterA, numberA := splitClass(a)
		letterB, numberB := splitClass(b)
		if letterA != letterB {
			if letterA < letterB {
				return -1
			}
			return 1
		}
		return numberA - numberB
	})
	for i, name := range names {
		if i > 0 {
			listed += ", "
		}
		listed += name
	}
	return names, listed
}

type record map[string]string

// step reads the sizes of a metric row.
func (r record) step() step {
	return step{over: r.size("size_from_mm", length.Millimetre), upTo: r.size("size_to_mm", length.Millimetre)}
}

// size reads an exact length from a column. The tables are part of the program,
// so a cell that is none is a programming error.
func (r record) size(column string, unit length.Unit) length.Length {
	q, err := length.New(r[column], unit)
	if err != nil {
		panic(fmt.Sprintf("limits: embedded table, column %s: %v", column, err))
	}
	return q.Length()
}

func read(raw []byte) []record {
	lines, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	if err != nil {
		panic(fmt.Sprintf("limits: embedded table: %v", err))
	}
	records := make([]record, 0, len(lines)-1)
	for _, line := range lines[1:] {
		r := record{}
		for i, column := range lines[0] {
			r[column] = line[i]
		}
		records = append(records, r)
	}
	return records
}
