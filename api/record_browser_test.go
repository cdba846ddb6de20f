package api_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var mediaBox = regexp.MustCompile(`/MediaBox ?\[ ?0 0 ([0-9.]+) ([0-9.]+) ?\]`)

// A4 is 210 mm × 297 mm (ISO 216), letter 8.5 in × 11 in; a point of PDF is 1/72 in
// (ISO 32000-1, 8.3.2.3).
func TestRecordIsPrintedByABrowserOnBothPapersWithoutLoadingAnything(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	if b == nil {
		t.Skip("LEFT OUT: no chromium")
	}
	w := newWorld(t)
	wagon(w, "upper", "lower")
	micrometer(w)
	short(w)
	repairOf(w, "short", "upper").want(201)
	sized(w, "upper", "8.121 mm", "8.093 mm", "8.11 mm", "8.102 mm")
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	for paper, want := range map[string][2]float64{"a4": {210 / 25.4 * 72, 297 / 25.4 * 72}, "letter": {612, 792}} {
		page := w.do("GET", w.at("repairs/R1/record?page="+paper), w.as("auditor"), nil, header{"Accept", "text/html"}).want(200)
		got := b.mustLookRight(page, sight{name: "record-" + paper, width: 900, height: 1600, print: true})
		if !strings.Contains(got.Text, "Record of repair R1") {
			t.Errorf("on %s it reads %q", paper, got.Text)
		}
		// Paper is white and ink dark, whatever the device prefers.
		if dark := b.mustLookRight(page, sight{name: "record-phone-" + paper, width: 390, height: 3000, dark: true}); dark.Paper != got.Paper || dark.Ink != got.Ink {
			t.Errorf("in the dark it is %s on %s, else %s on %s", dark.Ink, dark.Paper, got.Ink, got.Paper)
		}
		if shots := os.Getenv("PINWRIGHT_SHOTS"); shots != "" { // to look at
			if err := os.WriteFile(filepath.Join(shots, "record-"+paper+".pdf"), got.pdf, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		boxes := mediaBox.FindAllSubmatch(got.pdf, -1)
		if len(boxes) < 1 || len(boxes) > 6 {
			t.Errorf("on %s it has %d pages", paper, len(boxes))
		}
		for _, box := range boxes {
			for i, side := range want {
				if got, err := strconv.ParseFloat(string(box[i+1]), 64); err != nil || got < side-1.5 || got > side+1.5 {
					t.Errorf("a page on %s is %s × %s points", paper, box[1], box[2])
				}
			}
		}
		// The same without the policy's permission: the browser is as strict as is said here.
		if strict := b.looks(page, sight{width: 900, height: 1600, policy: "default-src 'none'"}); len(strict.Refused) == 0 || !strings.Contains(strings.Join(strict.Refused, " "), "Content Security Policy") {
			t.Errorf("chromium tells of no refusal under a policy that refuses its style, so this test proves nothing: %v", strict.Refused)
		}
	}
}
