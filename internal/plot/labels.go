package plot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// want is a mark that is to be named beside it.
type want struct{ at, wide float64 }

// place is where a name goes: in which row, and on which side of its mark.
type place struct {
	row   int
	right bool
}

// pack finds rows in which names beside their marks do not overlap, as few as
// going from left to right allows. A name stands on the right of its mark where
// there is room up to the edge, else on its left.
func pack(wants []want, left, right float64) (rows int, places []place) {
	places = make([]place, len(wants))
	order := make([]int, len(wants))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(wants[i].at, wants[j].at) })
	const gap, mark = 6, 9
	var taken [][][2]float64 // by row: what is taken, in any order
	for _, i := range order {
		w := wants[i]
		p := place{right: w.at+w.wide <= right || w.at-w.wide < left}
		low, high := w.at-mark, w.at+w.wide
		if !p.right {
			low, high = w.at-w.wide, w.at+mark
		}
		free := func(row [][2]float64) bool {
			return !slices.ContainsFunc(row, func(t [2]float64) bool { return low < t[1]+gap && t[0] < high+gap })
		}
		for p.row < len(taken) && !free(taken[p.row]) {
			p.row++
		}
		if p.row == len(taken) {
			taken = append(taken, nil)
		}
		taken[p.row] = append(taken[p.row], [2]float64{low, high})
		places[i] = p
	}
	return len(taken), places
}

// plain writes a number with as many digits as it needs, at most seven.
func plain(v float64) string {
	if math.Abs(v) >= 1e9 || v != 0 && math.Abs(v) < 1e-6 {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	text := strconv.FormatFloat(v, 'g', 7, 64)
	if f, err := strconv.ParseFloat(text, 64); err == nil {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return text
}

// count says how many there are of a thing.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
