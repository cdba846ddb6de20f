package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// What was verified of a reamer, and read with a gauge, is proposed as it can be posted, once.
func TestWhatALoanSeemsToHaveDoneIsProposedUntilItIsOnRecord(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	first, second := fourHinges[0], fourHinges[1]
	for _, joint := range []string{first, second} {
		w.do("PATCH", w.at("joints/"+joint), w.officer, row{"boss": row{"material": "bronze"}}, header{"If-Match", "*"}).want(200)
	}
	w.sql(`update feature set length_nm = 19050000 where club_id = $1 and shape = 'bore'`)
	loan := w.lend("R-0.322", "T-member", w.before(time.Hour), w.clock.now().Add(48*time.Hour)).String()
	gauge := w.lend("BG1", "T-member", w.before(time.Hour), w.clock.now().Add(48*time.Hour)).String()
	get := func(loan string) *response {
		return w.do("GET", w.at("loans/"+loan+"/uses-proposed"), w.as("auditor"), nil).want(200)
	}
	if none := get(loan); len(none.get("body", "uses").([]any)) != 0 || !strings.HasPrefix(none.str("summary"), "Nothing") {
		t.Errorf("%s", none.body)
	}
	w.clock.advance(time.Minute)
	for _, joint := range []string{first, second} {
		w.reads(joint, "8.176 mm")
		w.verifies(row{"joint": joint, "reamer": "R-0.322"}).want(201)
		w.clock.advance(time.Minute)
	}
	bores := append(w.bores(first), w.bores(second)...)
	a := get(loan)
	if n := len(a.get("body", "uses").([]any)); n != len(bores) || len(a.get("reasons").([]any)) != n || a.str("reasons", 0, "source") != "verification" || !strings.Contains(a.str("reasons", 0, "text"), "found that it cut bore of "+first+" to 8.17") {
		t.Fatalf("%d bores: %s", len(bores), a.body)
	}
	if a.str("body", "uses", 0, "work") != "holes" || a.get("body", "uses", 0, "depth", "value") != 19.05 || a.str("body", "uses", 0, "material") != "bronze" || a.str("body", "uses", 0, "loan") != loan || a.str("body", "uses", 0, "repair") != "R1" {
		t.Errorf("%s", a.body)
	}
	g := get(gauge)
	if len(g.get("body", "uses").([]any)) != 1 || g.str("body", "uses", 0, "work") != "measurements" || int(g.num("body", "uses", 0, "count")) != 3*len(bores) || g.str("reasons", 0, "source") != "readings" {
		t.Errorf("%s", g.body)
	}

	// One of the bores is told already; the rest is posted as it stands, also after the reamer is back.
	w.uses(w.as("member"), "R-0.322", row{"work": "holes", "repair": "R1", "joint": first, "feature": bores[0]}).want(201)
	w.clock.advance(time.Minute)
	w.giveBack(uuid.MustParse(loan), w.clock.now(), "north", "good")
	rest := get(loan)
	if n := len(rest.get("body", "uses").([]any)); n != len(bores)-1 || rest.num("recorded") != 1 {
		t.Fatalf("%s", rest.body)
	}
	for tool, p := range map[string]*response{"R-0.322": rest, "BG1": g} {
		if len(p.get("body", "uses").([]any)) == 0 {
			continue
		}
		w.do("POST", w.at("tools/"+tool+"/uses"), w.as("member"), p.get("body")).want(201)
	}
	for _, of := range []string{loan, gauge} {
		if done := get(of); len(done.get("body", "uses").([]any)) != 0 {
			t.Errorf("%s", done.body)
		}
	}
	w.reads(first, "8.176 mm")
	if more := get(gauge); int(more.num("body", "uses", 0, "count")) != 3*len(w.bores(first)) {
		t.Errorf("%s", more.body)
	}
	w.do("GET", w.at("loans/"+newID()+"/uses-proposed"), w.as("auditor"), nil).want(404)
}

// A hole that is read after the reamer came back was cut on the loan before; what the next one had it for is
// the next one's.
func TestACutIsOfTheLoanThatHadTheReamerLast(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	first := fourHinges[0]
	loan := w.lend("R-0.322", "T-member", w.before(3*time.Hour), w.before(2*time.Hour))
	w.giveBack(loan, w.before(2*time.Hour), "north", "good")
	w.reads(first, "8.176 mm")
	w.verifies(row{"joint": first, "reamer": "R-0.322"}).want(201)
	w.clock.advance(time.Hour)
	next := w.lend("R-0.322", "T-member", w.before(time.Minute), w.clock.now().Add(48*time.Hour))
	for of, want := range map[string]int{loan.String(): len(w.bores(first)), next.String(): 0} {
		got := w.do("GET", w.at("loans/"+of+"/uses-proposed"), w.officer, nil).want(200)
		if n := len(got.get("body", "uses").([]any)); n != want {
			t.Errorf("%d, want %d: %s", n, want, got.body)
		}
	}
}

// Steps that the borrower finished say what pullers did, and reamers where nothing was verified.
func TestFinishedStepsProposeUses(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	member := w.as("member")
	step := func(key, phase string, more row) row {
		return with(row{"key": key, "name": "Step " + key, "phase": phase, "per": "joint", "instructions": []string{"Do it."}, "minutes": 5, "closed_by": "anyone"}, more)
	}
	w.do("POST", w.at("procedures"), w.officer, row{"code": "brief", "name": "Brief", "kind_of_joint": "Any", "steps": []row{
		step("out", "pull", row{"tools": []row{{"tool_model": "jaw"}}}), step("cut", "ream", nil), step("in", "press", row{"tools": []row{{"kind": "drift"}}}),
	}}).want(201)
	for _, tool := range [][2]string{{"jaw", "puller"}, {"claw", "puller"}, {"squeeze", "press"}} {
		w.do("POST", w.at("tool-models"), w.officer, row{"code": tool[0], "name": "Tool", "kind": tool[1]}).want(201)
		w.do("POST", w.at("tools"), w.officer, row{"number": tool[0], "model": tool[0], "garage": "north"}).want(201)
	}
	w.do("POST", w.at("repairs"), w.officer, row{"vehicle": "tourer", "joints": fourHinges[:2], "procedure": "brief", "garage": "north"}).want(201)
	loans := map[string]string{}
	for _, tool := range []string{"jaw", "claw", "squeeze", "R-0.318"} {
		loans[tool] = w.lend(tool, "T-member", w.before(time.Hour), w.clock.now().Add(48*time.Hour)).String()
	}
	w.clock.advance(time.Minute)
	for _, s := range []string{"out", "cut", "in"} {
		w.do("POST", w.at("repairs/R1/steps/"+s+":"+fourHinges[0]+"/finish"), member, row{}).want(200)
	}
	w.do("POST", w.at("repairs/R1/steps/out:"+fourHinges[1]+"/finish"), w.officer, row{}).want(200) // by another
	for tool, want := range map[string]struct {
		work string
		n    int
	}{"jaw": {"pulls", 1}, "claw": {"", 0}, "squeeze": {"", 0}, "R-0.318": {"holes", len(w.bores(fourHinges[0]))}} {
		got := w.do("GET", w.at("loans/"+loans[tool]+"/uses-proposed"), w.officer, nil).want(200)
		if n := len(got.get("body", "uses").([]any)); n != want.n || n > 0 && (got.str("body", "uses", 0, "work") != want.work || got.str("reasons", 0, "source") != "step" || got.get("reasons", 0, "repair_step_id") == nil) {
			t.Errorf("%s: %s", tool, got.body)
		}
		if want.n > 0 {
			w.do("POST", w.at("tools/"+tool+"/uses"), member, got.get("body")).want(201)
			if again := w.do("GET", w.at("loans/"+loans[tool]+"/uses-proposed"), w.officer, nil).want(200); len(again.get("body", "uses").([]any)) != 0 {
				t.Errorf("%s", again.body)
			}
		}
	}
}
