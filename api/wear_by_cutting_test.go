package api_test

import (
	"fmt"
	"strings"
	"testing"
)

// Two reamers that lose half a micrometre a metre with oil and three times that dry: the ratio is found, and told only where
// the data tell it.
func TestWearByCutting(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	at := w.at("reports/wear-by-cutting")
	if none := w.do("GET", at, w.as("auditor"), nil).want(200); none.str("summary") != "No two ways of cutting are on record to compare." || none.num("holes_seen") != 0 {
		t.Errorf("%s", none.body)
	}
	for k, tool := range []string{"R-0.318", "R-0.322"} {
		marked := []int{8_077_200, 8_178_800}[k]
		size, day := float64(marked), 300.0
		for i := range 24 {
			lubricant, rate := "cutting_oil", 0.5
			if (i+k)%3 == 0 {
				lubricant, rate = "dry", 1.5
			}
			w.checked(tool, "check_cut", int(size)+400*(i%3-1), 600, day)
			w.happens("tool_use", "work, count, depth_nm, lubricant, material", fmt.Sprintf("'holes', 120, 25000000, '%s', 'bronze'", lubricant), "used_at", tool, day-2)
			size, day = size-3000*rate, day-5
		}
	}
	r := w.do("GET", at, w.as("auditor"), nil).want(200)
	if r.str("lubricant_reference") != "cutting_oil" || r.str("material_reference") != "bronze" || len(r.get("materials").([]any)) != 0 || r.num("mixed_lives") != 2 || r.num("reamers") != 2 || r.num("holes_seen") != 48 {
		t.Errorf("%s", r.body)
	}
	if ratio := r.num("lubricants", 0, "ratio"); r.str("lubricants", 0, "level") != "dry" || ratio < 2.2 || ratio > 3.8 || r.num("lubricants", 0, "low") < 1.3 || r.get("lubricants", 0, "told") != true ||
		!strings.Contains(r.str("summary"), "A metre cut dry took") || r.num("lubricants", 0, "metres") < 10 {
		t.Errorf("%s", r.body)
	}
	title, desc := pictureIn(t, w.do("GET", at+"/picture", w.as("member"), nil).want(200))
	if !strings.Contains(title, "Wear by cutting") || !strings.Contains(desc, "Lubricants, against cutting oil: dry") {
		t.Errorf("%q, %q", title, desc)
	}
	w.do("GET", at+"/picture?scheme=x", w.as("member"), nil).want(422).wantFault("?scheme")
	w.do("GET", "/v1/clubs/elsewhere/reports/wear-by-cutting", w.officer, nil).want(404)
	w.do("GET", "/v1/clubs/elsewhere/reports/wear-by-cutting/picture", w.officer, nil).want(404)
}
