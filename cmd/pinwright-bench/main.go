// Command pinwright-bench measures what the service costs as ratios within one
// run: each comparison lets its sides work in turn, round after round, on the
// same machine, so that only how they compare is told. DEVELOPERS.md has results
// and what limits them.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"runtime/pprof"
	"slices"
	"strings"
	"time"
)

// scene is one comparison.
type scene struct {
	name, about string
	play        func(ctx context.Context, s *stage, rounds int, d time.Duration) error
}

var scenes = []scene{
	{"get", "GET of one resource against the bound of pgbench and an empty server sharing the machine", get},
	{"readings", "500 readings a request against COPY of the same rows", readings},
	{"reservations", "a reservation against pgbench making the same locks and inserts", reservations},
	{"overload", "three times the peak rate against the peak", overload},
	{"growth", "the same requests on few and on many rows", growth},
}

// sizes are how many rows growth ends with.
var sizes struct{ readings, reservations int }

func main() {
	rounds := flag.Int("rounds", 5, "rounds that count, after one that warms up")
	seconds := flag.Int("seconds", 2, "seconds each side works in a round")
	only := flag.String("only", "", "scenes to play, separated by commas; empty: all")
	profile := flag.String("cpuprofile", "", "file for a CPU profile of the service and the load, which share a process")
	flag.IntVar(&sizes.readings, "growth-readings", 10_000_000, "readings at the end of growth")
	flag.IntVar(&sizes.reservations, "growth-reservations", 1_000_000, "reservations at the end of growth")
	flag.Usage = func() {
		fmt.Fprintln(flag.CommandLine.Output(), "pinwright-bench [flags]: prints what the service costs, as ratios. Scenes:")
		for _, s := range scenes {
			fmt.Fprintf(flag.CommandLine.Output(), "  %-13s %s\n", s.name, s.about)
		}
		flag.PrintDefaults()
	}
	flag.Parse()
	if *profile != "" {
		f, err := os.Create(*profile)
		if err == nil {
			err = pprof.StartCPUProfile(f)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, "pinwright-bench:", err)
			os.Exit(1)
		}
		defer pprof.StopCPUProfile()
	}
	if err := play(*rounds, time.Duration(*seconds)*time.Second, *only); err != nil {
		fmt.Fprintln(os.Stderr, "pinwright-bench:", err)
		os.Exit(1)
	}
}

func play(rounds int, d time.Duration, only string) error {
	var chosen []scene
	for _, s := range scenes {
		if only == "" || slices.Contains(strings.Split(only, ","), s.name) {
			chosen = append(chosen, s)
		}
	}
	if len(chosen) == 0 {
		return fmt.Errorf("no scene is called %q", only)
	}
	dir, err := os.MkdirTemp("", "pinwright-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)                      //nolint:errcheck // a temporary folder
	if err := os.Chmod(dir, 0o711); err != nil { //nolint:gosec // PostgreSQL's own user passes through
		return err
	}
	ctx := context.Background()
	s, err := set(ctx, dir)
	if err != nil {
		return err
	}
	defer s.strike()
	fmt.Println(machine(s))
	fmt.Printf("%d rounds of %s a side, in turn; median (least to greatest)\n", rounds, d)
	for _, scene := range chosen {
		if err := scene.play(ctx, s, rounds, d); err != nil {
			return fmt.Errorf("%s: %w", scene.name, err)
		}
	}
	return nil
}
