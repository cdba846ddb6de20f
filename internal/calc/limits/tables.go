package limits

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"sync"

	"pinwright/internal/calc/length"
)

var (
	//go:embed iso286.csv
	iso286CSV []byte
	//go:embed it_grades.csv
	gradesCSV []byte
	//go:embed asme_b41.csv
	inchCSV []byte
)

// step is one row of a table: what holds for sizes over its first and up to and
// including its last size. Tables of one limit pair use hole alone.
type step struct {
	over, upTo  length.Length
	hole, shaft Limits
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
	holes, shafts, grades, inch                      map[string]ladder
	holeNames, shaftNames, inchNames, gradeNames     []string
	holeListed, shaftListed, inchListed, gradeListed string
}

// load reads the embedded tables once, at first use.
var load = sync.OnceValue(func() *tables {
	t := &tables{holes: map[string]ladder{}, shafts: map[string]ladder{}, grades: map[string]ladder{}, inch: map[string]ladder{}}
	for _, row := range read(iso286CSV) {
		s := step{over: row.size("size_from_mm", length.Millimetre), upTo: row.size("size_to_mm", length.Millimetre)}
		s.hole = Limits{Lower: row.size("lower_um", length.Micrometre), Upper: row.size("upper_um", length.Micrometre)}
		class := row["class"]
		if row["kind"] == "hole" {
			t.holes[class] = append(t.holes[class], s)
		} else {
			t.shafts[class] = append(t.shafts[class], s)
		}
	}
	for _, row := range read(gradesCSV) {
		s := step{over: row.size("size_from_mm", length.Millimetre), upTo: row.size("size_to_mm", length.Millimetre)}
		s.hole.Upper = row.size("tolerance_um", length.Micrometre)
		t.grades[row["grade"]] = append(t.grades[row["grade"]], s)
	}
	for _, row := range read(inchCSV) {
		s := step{over: row.size("over_in", length.Inch), upTo: row.size("to_in", length.Inch)}
		s.hole = Limits{Lower: row.size("hole_lower_thou", length.Thou), Upper: row.size("hole_upper_thou", length.Thou)}
		s.shaft = Limits{Lower: row.size("shaft_lower_thou", length.Thou), Upper: row.size("shaft_upper_thou", length.Thou)}
		t.inch[row["class"]] = append(t.inch[row["class"]], s)
	}
	t.holeNames, t.holeListed = arrange(t.holes)
	t.shaftNames, t.shaftListed = arrange(t.shafts)
	t.gradeNames, t.gradeListed = arrange(t.grades)
	t.inchNames, t.inchListed = arrange(t.inch)
	return t
})

// arrange sorts every ladder and lists the classes by letter, then number.
func arrange(classes map[string]ladder) (names []string, listed string) {
	for name, l := range classes {
		slices.SortFunc(l, func(a, b step) int { return int(a.upTo - b.upTo) })
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
