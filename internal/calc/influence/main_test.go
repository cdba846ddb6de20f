package influence_test

import (
	"flag"
	"os"
	"testing"
)

func TestMain(m *testing.M) {
	checks := "8"
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		checks = "100"
	}
	if err := flag.Set("rapid.checks", checks); err != nil {
		panic(err)
	}
	flag.Parse() // a number given on the command line wins
	os.Exit(m.Run())
}
