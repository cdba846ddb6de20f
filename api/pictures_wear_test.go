package api_test

import (
	"fmt"
	"strings"
	"testing"
)

func TestPictureOfAJointsTrend(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	at := w.at("joints/only/trend")
	if _, empty := pictureIn(t, w.do("GET", at+"/picture", w.as("member"), nil).want(200)); !strings.Contains(empty, "No measurements") {
		t.Errorf("of a joint that nobody has read it tells %q", empty)
	}
	w.worn(6)
	w.do("POST", w.at("joints/only/events"), w.as("member"), row{"kind": "lubricated", "occurred_at": "2020-01-01T10:00:00Z"}).want(201)
	query := "?limit=0.2%20mm&over=time&after_repair=same_rate&units=mm"
	trend := w.do("GET", at+query, w.as("member"), nil).want(200)
	r := w.do("GET", at+"/picture"+query, w.as("member"), nil).want(200)
	title, desc := pictureIn(t, r)
	for _, want := range []string{trend.str("summary"), "6 measurements", "2018-05-01", "Limit: 0.2 mm", "1: lubrication, 2020-01-01"} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	if !strings.Contains(title, "only") {
		t.Errorf("the title is %q", title)
	}
	w.do("GET", at+"/picture"+query, w.as("member"), nil, header{"If-None-Match", r.header.Get("ETag")}).want(304)
	_, thou := pictureIn(t, w.do("GET", at+"/picture?limit=0.2%20mm&units=thou&scheme=dark", w.as("member"), nil).want(200))
	if !strings.Contains(thou, "Limit: 7.87") {
		t.Errorf("in thou it tells %q", thou)
	}
	w.do("GET", at+"/picture?limit=2", w.as("member"), nil).want(422)
	w.do("GET", at+"/picture?feature=nowhere", w.as("member"), nil).want(422)
	w.do("GET", at+"/picture?scheme=x", w.as("member"), nil).want(422).wantFault("?scheme")
	w.do("GET", w.at("joints/left/trend/picture"), w.as("member"), nil).want(422) // two vehicles have one
	w.do("GET", w.at("joints/nowhere/trend/picture"), w.as("member"), nil).want(404)
}

func TestPictureOfAToolsCalibrations(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	at := w.at("tools/C1/chart/picture")
	if _, few := pictureIn(t, w.do("GET", at, w.as("member"), nil).want(200)); !strings.Contains(few, "at least 2") {
		t.Errorf("of a tool that was never calibrated it tells %q", few)
	}
	for n, um := range []string{"0.2", "-0.1", "0.1", "0", "0.2", "0.1", "-0.1", "3.1"} {
		w.do("POST", w.at("tools/C1/calibrations"), w.officer, row{"calibrated_on": fmt.Sprintf("%d-03-01", 2016+n), "expanded_uncertainty": "2 um", "deviation": um + " um"}).want(201)
	}
	r := w.do("GET", at+"?units=um", w.as("member"), nil).want(200)
	title, desc := pictureIn(t, r)
	// The last step, 3.2, lies above 3.267 times the mean of the moving ranges, 0.614
	// (NIST/SEMATECH e-Handbook 6.3.2.2).
	for _, want := range []string{"8 values", "Signal R. At 8 (2023-03-01):", "a step at most 2.00"} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	if !strings.Contains(title, "C1") {
		t.Errorf("the title is %q", title)
	}
	w.do("GET", at+"?units=um", w.as("member"), nil, header{"If-None-Match", r.header.Get("ETag")}).want(304)
	w.do("GET", at+"?units=um&scheme=light", w.as("member"), nil, header{"If-None-Match", r.header.Get("ETag")}).want(200)
	w.do("GET", w.at("tools/nowhere/chart/picture"), w.as("member"), nil).want(404)
	w.do("GET", at+"?scheme=x", w.as("member"), nil).want(422).wantFault("?scheme")
}
