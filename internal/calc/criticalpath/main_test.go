package criticalpath_test

import (
	"flag"
	"os"
	"testing"
)

// long asks for many times as many random networks.
var long = os.Getenv("PINWRIGHT_LONG") == "1"

func TestMain(m *testing.M) {
	checks := "150"
	if long {
		checks = "5000"
	}
	if err := flag.Set("rapid.checks", checks); err != nil {
		panic(err)
	}
	// The same networks each time, so that a change is judged by what it changes;
	// -rapid.seed=0 draws at random, to look for more.
	if err := flag.Set("rapid.seed", "20261130"); err != nil {
		panic(err)
	}
	flag.Parse() // a number given on the command line wins
	os.Exit(m.Run())
}
