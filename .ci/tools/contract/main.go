// Command contract watches openapi/openapi.yaml: that it keeps to the rules of
// openapi/lint.yaml, and that no client of the contract accepted last,
// openapi/accepted.yaml, is broken by it.
//
//	go -C .ci/tools run ./contract lint
//	go -C .ci/tools run ./contract breaking
//	go -C .ci/tools run ./contract accept
//
// accept makes the contract of today the accepted one. Do that, in a commit that
// says why, with a release, and when something is broken on purpose.
package main

import (
	"fmt"
	"os"
	"path/filepath"
)

// folder is openapi/, seen from the module of the tools, where this is run.
const folder = "../../openapi"

func main() {
	if len(os.Args) != 2 {
		fail("say what to do: lint, breaking or accept")
	}
	spec := read("openapi.yaml")
	switch os.Args[1] {
	case "lint":
		findings, err := lint(read("lint.yaml"), spec)
		if err != nil {
			fail(err.Error())
		}
		tell(findings)
		if len(findings) > 0 {
			fail(fmt.Sprintf("%d findings: mend the parts, or the bundler; a rule that is wrong here is turned off in openapi/lint.yaml with its reason", len(findings)))
		}
		fmt.Println("no finding")
	case "breaking":
		breaking, doubtful, err := compare(read("accepted.yaml"), spec)
		if err != nil {
			fail(err.Error())
		}
		if len(doubtful) > 0 {
			fmt.Println("may surprise clients (told, not refused):")
			tell(doubtful)
		}
		tell(breaking)
		if len(breaking) > 0 {
			fail(fmt.Sprintf("%d changes break clients of openapi/accepted.yaml: keep what was there and add beside it; what must go is announced by x-deprecated first (DEVELOPERS.md, How to take something away)", len(breaking)))
		}
		fmt.Println("nothing breaks")
	case "accept":
		if err := os.WriteFile(filepath.Join(folder, "accepted.yaml"), spec, 0o644); err != nil { //nolint:gosec // the contract is public
			fail(err.Error())
		}
	default:
		fail("say what to do: lint, breaking or accept")
	}
}

func read(name string) []byte {
	text, err := os.ReadFile(filepath.Join(folder, name)) //nolint:gosec // one of three names
	if err != nil {
		fail(err.Error())
	}
	return text
}

func tell(lines []string) {
	for _, line := range lines {
		fmt.Println(line)
	}
}

func fail(text string) {
	fmt.Fprintln(os.Stderr, text)
	os.Exit(1)
}
