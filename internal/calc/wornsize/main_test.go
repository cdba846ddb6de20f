package wornsize

import (
	"flag"
	"os"
	"testing"
)

// long asks for the heavy form of the tests: a million draws a case and ten
// times as many random sets.
var long = os.Getenv("PINWRIGHT_LONG") == "1"

func TestMain(m *testing.M) {
	checks := "10"
	if long {
		checks = "100"
	}
	if err := flag.Set("rapid.checks", checks); err != nil {
		panic(err)
	}
	// One seed, so that a change is judged by what it changes; -rapid.seed=0 draws at
	// random, to look for more.
	if err := flag.Set("rapid.seed", "20261125"); err != nil {
		panic(err)
	}
	flag.Parse() // a number given on the command line wins
	os.Exit(m.Run())
}
