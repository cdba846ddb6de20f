package api_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
	"testing"
)

// pictureIn reads a picture, holds its headers and its form to what is promised of
// all, and returns its title and its description.
func pictureIn(t *testing.T, r *response) (title, desc string) {
	t.Helper()
	for name, want := range map[string]string{"Content-Type": "image/svg+xml", "X-Content-Type-Options": "nosniff", "Content-Disposition": "inline"} {
		if got := r.header.Get(name); got != want {
			t.Errorf("%s: %s is %q, want %q", r.what, name, got, want)
		}
	}
	policy := r.header.Get("Content-Security-Policy")
	if !strings.Contains(policy, "default-src 'none'") || !strings.Contains(policy, "sandbox") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "script-src") {
		t.Errorf("%s: may do more than show itself: %s", r.what, policy)
	}
	d := xml.NewDecoder(bytes.NewReader(r.body))
	open := ""
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%s: not well-formed: %v\n%s", r.what, err, r.body)
		}
		switch v := token.(type) {
		case xml.StartElement:
			open = v.Name.Local
			if open == "script" || open == "a" || open == "image" || open == "foreignObject" {
				t.Errorf("%s: holds <%s>", r.what, open)
			}
		case xml.CharData:
			switch open {
			case "title":
				title += string(v)
			case "desc":
				desc += string(v)
			}
		case xml.EndElement:
			open = ""
		}
	}
	if title == "" || desc == "" {
		t.Errorf("%s: tells nothing in words: %q, %q", r.what, title, desc)
	}
	return title, desc
}

func TestPictureOfAFeature(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	bore := w.at("features/" + featureNamed(t, w, "left-upper", "bore"))
	_, empty := pictureIn(t, w.do("GET", bore+"/picture", w.officer, nil).want(200))
	if !strings.Contains(empty, "No readings") {
		t.Errorf("of a bore that nobody has read it tells %q", empty)
	}
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go", "surface": "bright"}).want(201)
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "value": "8.01 mm", "with": "inside_micrometer", "station": "middle"}).want(201)
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "feature": "pin", "value": "7.97 mm", "with": "micrometer", "station": "mouth_a"}).want(201)
	estimate := w.do("GET", bore+"/estimate?units=mm", w.officer, nil).want(200)
	r := w.do("GET", bore+"/picture?units=mm", w.officer, nil).want(200)
	title, desc := pictureIn(t, r)
	if !strings.Contains(title, "left-upper of tourer") {
		t.Errorf("the title is %q", title)
	}
	// The same facts as the estimate, which is the source of both.
	for _, want := range []string{estimate.str("summary"), estimate.str("passing_size", "text"), estimate.str("clean_up_size", "text"), "no go 8.0264 mm", "8.010 ± 0.011 mm", "middle, inside micrometer", "reamer"} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	tag := r.header.Get("ETag")
	if same := w.do("GET", bore+"/picture?units=mm", w.officer, nil, header{"If-None-Match", tag}).want(304); len(same.body) > 0 {
		t.Error("304 with a body")
	}
	if r.header.Get("Cache-Control") != "private, no-cache" || !strings.Contains(r.header.Get("Vary"), "Authorization") {
		t.Errorf("it may be kept by %q, varies by %q", r.header.Get("Cache-Control"), r.header.Get("Vary"))
	}
	_, inches := pictureIn(t, w.do("GET", bore+"/picture?units=in", w.officer, nil, header{"If-None-Match", tag}).want(200))
	if !strings.Contains(inches, "no go 0.316 in") || regexp.MustCompile(`[0-9] mm`).MatchString(inches) {
		t.Errorf("asked for inches it tells %q", inches)
	}
	for scheme, follows := range map[string]bool{"auto": true, "light": false, "dark": false} {
		r := w.do("GET", bore+"/picture?scheme="+scheme, w.officer, nil).want(200)
		pictureIn(t, r)
		if bytes.Contains(r.body, []byte("prefers-color-scheme")) != follows {
			t.Errorf("%s follows the system or does not", scheme)
		}
	}
	_, pin := pictureIn(t, w.do("GET", w.at("features/"+featureNamed(t, w, "left-upper", "pin")+"/picture"), w.officer, nil).want(200))
	if !strings.Contains(pin, "Made to") || !strings.Contains(pin, "Thinnest place") {
		t.Errorf("of a pin it tells %q", pin)
	}
	w.do("GET", bore+"/picture?scheme=sepia", w.officer, nil).want(422).wantFault("?scheme")
	w.do("GET", bore+"/picture?units=ft", w.officer, nil).want(422).wantFault("?units")
	w.do("GET", w.at("features/"+newID()+"/picture"), w.officer, nil).want(404)
	// The next reading changes the picture, and with it the tag.
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "gauge": "0.315 in", "result": "go"}).want(201)
	w.do("GET", bore+"/picture?units=mm", w.officer, nil, header{"If-None-Match", tag}).want(200)
}

func TestPictureOfAnAnswer(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go", "surface": "bright"}).want(201)
	made := w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left-upper", "left-lower"}}).want(201)
	at := w.at("recommendations/" + made.str("id"))
	r := w.do("GET", at+"/picture", w.officer, nil).want(200)
	_, desc := pictureIn(t, r)
	for _, want := range []string{"The set is " + strings.ReplaceAll(made.str("decision"), "_", " "), "left-upper", "left-lower", "95 % asked for", made.str("cost", "text"), "Take care: ", "rotating tool"} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	for i := range 2 { // what is done, as the answer words it, in its own units
		words := ""
		for _, o := range made.get("joints", i, "options").([]any) {
			o := o.(map[string]any)
			if o["option"] == made.get("joints", i, "option") && o["step"] == made.get("joints", i, "step") {
				words = o["text"].(string)
			}
		}
		if words == "" || !strings.Contains(strings.ToLower(desc), strings.ToLower(words)) {
			t.Errorf("%q is not told in %q", words, desc)
		}
	}
	if bytes.Count(r.body, []byte(`class="chosen"`)) < 2 {
		t.Error("not every joint has its choice marked")
	}
	tag := r.header.Get("ETag")
	w.do("GET", at+"/picture", w.officer, nil, header{"If-None-Match", tag}).want(304)
	_, inches := pictureIn(t, w.do("GET", at+"/picture?units=in", w.officer, nil).want(200))
	_, millimetres := pictureIn(t, w.do("GET", at+"/picture?units=mm&scheme=dark", w.officer, nil).want(200))
	if !strings.Contains(inches, " in") || regexp.MustCompile(`[0-9] mm`).MatchString(inches) || !regexp.MustCompile(`[0-9] mm`).MatchString(millimetres) {
		t.Errorf("in inches %q, in millimetres %q", inches, millimetres)
	}
	w.do("GET", at+"/picture?scheme=x", w.officer, nil).want(422).wantFault("?scheme")
	w.do("GET", w.at("recommendations/"+newID()+"/picture"), w.officer, nil).want(404)
	// A newer answer for the same joints shows in the picture of the older one.
	w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left-lower", "left-upper"}}).want(201)
	_, desc = pictureIn(t, w.do("GET", at+"/picture", w.officer, nil, header{"If-None-Match", tag}).want(200))
	if !strings.Contains(desc, "newer answer") {
		t.Errorf("it does not tell of the newer answer: %q", desc)
	}
}

func TestPictureOfATrend(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	trend := w.calc("trend", wearing+`}`).want(200)
	r := w.calc("trend/picture", wearing+`}`).want(200)
	_, desc := pictureIn(t, r)
	for _, want := range []string{trend.str("summary"), "4 measurements, the first 20 um at 2022-05-01, the last 52 um at 2025-05-01", "Limit: 80 um", "limit reached " + trend.str("crossing", "on"),
		trend.str("crossing", "line", "low_on") + " to " + trend.str("crossing", "line", "high_on")} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	if r.header.Get("ETag") != "" || r.header.Get("Cache-Control") != "no-store" {
		t.Errorf("what was posted may be kept: %q, %q", r.header.Get("ETag"), r.header.Get("Cache-Control"))
	}
	_, thou := pictureIn(t, w.calc("trend/picture?units=thou&scheme=dark", wearing+`,"changes":[{"on":"2023-11-01","change":"lubrication"}]}`).want(200))
	if !strings.Contains(thou, "thou") || strings.Contains(thou, " um") || !strings.Contains(thou, "1: lubrication, 2023-11-01") {
		t.Errorf("in thou with a change it tells %q", thou)
	}
	_, hopeless := pictureIn(t, w.calc("trend/picture", `{"points":[{"x":0,"value":"20 um","u":"5 um"},{"x":10,"value":"21 um","u":"5 um"}],"limit":"80 um"}`).want(200))
	if !strings.Contains(hopeless, "with no latest") {
		t.Errorf("where the rate is not known it tells %q", hopeless)
	}
	for _, body := range []string{`{"points":[]}`, `{"points":[],"limit":"1 mm"}`, `{"points":[{"x":1,"value":"20 um"}],"limit":"1 mm"}`, `{"points":[{"x":0,"value":"9999 mm"},{"x":1e-9,"value":"-9999 mm"}],"limit":"40 um"}`,
		`{"points":[{"x":-1e12,"value":"1 um"},{"x":1e12,"value":"2 um"}],"limit":"9999 mm"}`, `{"points":[{"on":"1901-01-01","value":"9 um"},{"on":"2199-12-31","value":"9 um"}],"limit":"9 um"}`} {
		pictureIn(t, w.calc("trend/picture", body).want(200))
	}
	w.calc("trend/picture?scheme=x", wearing+`}`).want(422).wantFault("?scheme")
	w.calc("trend/picture", `{"points":[{"x":1,"value":"1 um","u":"0 um"}]}`).want(422).wantFault("/points/0/u")
}

func TestPictureOfAControlChart(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	// NIST/SEMATECH e-Handbook 6.3.2.2, flow rates: centre 50.81, limits 45.8159 and 55.8041
	// with d2 rounded; nothing signals.
	_, desc := pictureIn(t, w.calc("control-chart/picture", `{"values":[49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1]}`).want(200))
	if !strings.Contains(desc, "Values 1 to 10: centre 50.81, limits 45.8") || !strings.Contains(desc, "No signal") {
		t.Errorf("it tells %q", desc)
	}
	_, desc = pictureIn(t, w.calc("control-chart/picture", `{"values":[0.1,0.4,0.2,0.9,0.3,0.6,0.2,0.5,0.8,-9],"given":{"centre":0,"sigma":1},"rules":["nelson_1","nelson_2","western_electric_4","moving_range"]}`).want(200))
	for _, want := range []string{"Signal W4. At 8, 9:", "Signal 2. At 9:", "Signal 1. At 10:", "Signal R. At 10:"} { // counted from 1
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	for _, body := range []string{`{"values":[]}`, `{"values":[1]}`, `{"values":[1,1,1]}`, `{"values":[1,2,1,2,1,2],"starts":[3,5]}`, `{"values":[1e12,-1e12]}`, `{"values":[` + strings.Repeat("1,2,3,", 333) + `9]}`} {
		pictureIn(t, w.calc("control-chart/picture", body).want(200))
	}
	w.calc("control-chart/picture", `{"values":[1,2],"starts":[5]}`).want(422).wantFault("/starts/0")
}
