package reaming

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// What can be wrong with a question; the errors say what would be answered.
var (
	ErrWork     = errors.New("unknown work material")
	ErrHardness = errors.New("hardness cannot be reamed")
	ErrInput    = errors.New("cannot be reamed so")
)

//go:embed speeds.csv
var speedsCSV []byte

// Work is a kind of work material, such as "medium_carbon_steel".
type Work string

// Row is one row of the table: speeds in feet a minute. FromHB and ToHB are 0 for
// materials that go by no hardness.
type Row struct {
	Work                   Work
	Name                   string
	FromHB, ToHB           float64
	Drilling, HSS, Carbide float64
	Source                 string
}

type table struct {
	works []Work
	rows  map[Work][]Row // by hardness
	usual map[Work]int
}

const (
	handbook   = "Machinery's Handbook, cutting speeds for drilling and reaming"
	practice   = "common practice, no published source"
	feetPerMin = 0.3048 // metres
	millimetre = 25.4   // an inch's
)

var load = sync.OnceValue(func() table {
	t := table{rows: map[Work][]Row{}, usual: map[Work]int{}}
	lines, err := csv.NewReader(bytes.NewReader(speedsCSV)).ReadAll()
	if err != nil {
		panic(fmt.Sprintf("reaming: embedded table: %v", err))
	}
	number := func(text string) float64 {
		if text == "" {
			return 0
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			panic(fmt.Sprintf("reaming: embedded table: %v", err))
		}
		return v
	}
	for _, l := range lines[1:] {
		r := Row{Work: Work(l[0]), Name: l[1], FromHB: number(l[2]), ToHB: number(l[3]), Drilling: number(l[5]), HSS: number(l[6]), Carbide: number(l[7]), Source: sourceOf(l[8])}
		if t.rows[r.Work] == nil {
			t.works = append(t.works, r.Work)
		}
		if l[4] == "usual" {
			t.usual[r.Work] = len(t.rows[r.Work])
		}
		t.rows[r.Work] = append(t.rows[r.Work], r)
	}
	return t
})

func sourceOf(copies string) string {
	part, n, found := strings.Cut(copies, ": ")
	switch {
	case !found:
		return handbook + ", copper alloys (from memory)"
	case n == "1":
		return handbook + ", " + part + " (as copied on a toolmaker's page)"
	}
	return handbook + ", " + part + " (two copies agree)"
}

// Works lists the work materials, in the order of the table.
func Works() []Work { return slices.Clone(load().works) }

// RowFor returns the row of a material at a hardness, 0 for one that is not known:
// then that of the material as it is usually met, and assumed is true. ErrWork and
// ErrHardness say what is served.
func RowFor(work Work, hb float64) (row Row, assumed bool, err error) {
	t := load()
	rows := t.rows[work]
	if rows == nil {
		names := make([]string, len(t.works))
		for i, w := range t.works {
			names[i] = string(w)
		}
		return Row{}, false, fmt.Errorf("%w: %.40q; known are %s", ErrWork, string(work), strings.Join(names, ", "))
	}
	usual := rows[t.usual[work]]
	if usual.ToHB == 0 { // goes by no hardness
		return usual, false, nil
	}
	if hb == 0 {
		return usual, true, nil
	}
	for _, r := range rows {
		if hb <= r.ToHB {
			return r, false, nil
		}
	}
	return Row{}, false, fmt.Errorf("%w: %s of %v HB; the table ends at %v HB, and what is harder is honed or ground", ErrHardness, usual.Name, hb, rows[len(rows)-1].ToHB)
}
