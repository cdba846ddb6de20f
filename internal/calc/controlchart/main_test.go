package controlchart_test

import (
	"flag"
	"os"
	"testing"
)

// long asks for the heavy form of the tests.
var long = os.Getenv("PINWRIGHT_LONG") == "1"

func TestMain(m *testing.M) {
	checks := "100"
	if long {
		checks = "5000"
	}
	for name, value := range map[string]string{"rapid.checks": checks, "rapid.seed": "20261125"} {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
	flag.Parse() // a number given on the command line wins
	os.Exit(m.Run())
}
