package main

import (
	"fmt"
	"io"
	"slices"
	"time"
)

// contender is one side of a comparison: it does its work for about that long
// and returns how much a second.
type contender struct {
	name string
	run  func(d time.Duration) (float64, error)
}

// figures are a contender's results, one a round.
type figures []float64

func (f figures) median() float64 {
	s := slices.Sorted(slices.Values(f))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

func (f figures) String() string {
	return fmt.Sprintf("%.4g (%.4g to %.4g)", f.median(), slices.Min(f), slices.Max(f))
}

// interleave lets the contenders work in turn, round after round, so that
// whatever else the machine does meets all of them; the first round only warms
// up, and then settle runs. ratio makes one figure of each round's results.
func interleave(rounds int, d time.Duration, settle func() error, ratio func(round []float64) float64, contenders ...contender) ([]figures, figures, error) {
	each, ratios := make([]figures, len(contenders)), figures{}
	for r := range rounds + 1 {
		var round []float64
		for _, c := range contenders {
			got, err := c.run(d)
			if err != nil {
				return nil, nil, fmt.Errorf("%s: %w", c.name, err)
			}
			round = append(round, got)
		}
		if r == 0 {
			if err := settle(); err != nil {
				return nil, nil, err
			}
			continue
		}
		for i, got := range round {
			each[i] = append(each[i], got)
		}
		ratios = append(ratios, ratio(round))
	}
	return each, ratios, nil
}

// report prints a comparison: the sides, the ratio and what was aimed at.
func report(w io.Writer, title string, unit string, contenders []contender, each []figures, ratio figures, aim string) {
	fmt.Fprintf(w, "\n%s\n", title)
	for i, c := range contenders {
		fmt.Fprintf(w, "  %-58s %s %s\n", c.name, each[i], unit)
	}
	fmt.Fprintf(w, "  %-58s %s   aim %s\n", "ratio", ratio, aim)
}
