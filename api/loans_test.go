package api_test

import (
	"testing"
	"time"

	"pinwright/internal/loan"
	"pinwright/internal/postgres"
)

// sweep lets the sweep find what is late.
func (d *desk) sweep() int {
	d.t.Helper()
	n, err := loan.Sweep(d.t.Context(), &postgres.DB{Pool: d.db.App}, d.club.ClubID, d.clock.now())
	if err != nil {
		d.t.Fatal(err)
	}
	return n
}

func TestLateIsFoundOnceWarnsTheNextAndIsWithdrawn(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"})
	next := d.reserve(d.officer, 100, 120, toolLine("R-1")).want(201)
	far := d.reserve(d.officer, 130, 140, toolLine("R-1")).want(201)
	made := d.out(row{"until": d.hour(10)}, "R-1").want(201)
	at := d.at("loans/" + made.str("loans", 0, "id"))
	if n := d.sweep(); n != 0 {
		t.Errorf("%d changes while nothing is late", n)
	}
	d.clock.advance(12 * time.Hour)
	before := d.do("GET", at, d.member, nil).want(200)
	if before.str("state") != "late" || len(d.do("GET", d.at("loans?state=late"), d.member, nil).want(200).get("items").([]any)) != 1 {
		t.Errorf("two hours after its end the loan is %s", before.body)
	}
	if n := d.sweep(); n != 2 {
		t.Errorf("%d changes, want the loan late and the next reservation in danger", n)
	}
	if n := d.sweep(); n != 0 {
		t.Errorf("the same again made %d changes", n)
	}
	d.wantLine(next, 0, "R-1 reserved late")
	d.wantLine(far, 0, "R-1 reserved")
	if seen := d.do("GET", at, d.member, nil).want(200); seen.str("late_at") == "" || seen.header.Get("ETag") == before.header.Get("ETag") {
		t.Errorf("after the sweep %s", seen.body)
	}
	d.events(map[string]int{"loan.late": 1, "reservation.endangered": 1})

	// It had come back in time, which was written down at the garage.
	returned := d.back(row{"occurred_at": d.clock.now().Add(-4 * time.Hour)}, row{"tool": "R-1"}).want(201)
	if returned.str("late_withdrawn", 0) != "R-1" || returned.num("promises", "safe") != 1 || returned.get("loans", 0, "late_at") != nil {
		t.Errorf("returned %s", returned.body)
	}
	d.wantLine(next, 0, "R-1 reserved")
	d.events(map[string]int{"loan.late_withdrawn": 1, "reservation.safe": 1})
	d.back(row{"occurred_at": d.clock.now().Add(-31 * 24 * time.Hour), "garage": "nowhere"}, row{"tool": "Q"}).want(422).wantFault("/occurred_at").wantFault("/garage").wantFault("/tools/0/tool")
	d.sound()
}

func TestExtensionThatHurtsTellsDaysAndNobody(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"})
	d.reserve(d.officer, 50, 60, toolLine("R-1")).want(201)
	made := d.out(row{"until": d.hour(10)}, "R-1").want(201)
	at := d.at("loans/" + made.str("loans", 0, "id"))
	hurt := d.do("POST", at+"/extend", d.member, row{"until": d.hour(55)}).want(409).wantProblem("would-hurt")
	hurt.wantTime(d.hour(50), "would_hurt", 0, "from").wantTime(d.hour(60), "would_hurt", 0, "until").wantTime(d.hour(48), "until")
	for _, name := range []string{"M1", "Odile", d.club.OfficerID.String()} {
		if contains(hurt, name) {
			t.Errorf("the refusal tells of whom it would hurt: %s", hurt.body)
		}
	}
	d.do("POST", at+"/extend", d.as("auditor"), row{"until": d.hour(20)}).want(403)
	d.do("POST", at+"/extend", d.as("member,treasurer"), row{"until": d.hour(20)}).want(403).wantProblem("missing-role")
	d.do("POST", at+"/extend", d.member, row{"until": d.hour(5)}).want(422).wantFault("/until")
	d.do("POST", at+"/extend", d.member, row{"until": d.hour(24 * 91)}).want(422).wantFault("/until")
	d.clock.advance(12 * time.Hour)
	d.sweep()
	longer := d.do("POST", at+"/extend", d.member, row{"until": d.hour(36)}).want(200).wantTime(d.hour(36), "period", "until")
	if longer.str("state") != "open" || longer.get("late_at") != nil {
		t.Errorf("extended %s", longer.body)
	}
	if seen := d.do("GET", at, d.member, nil).want(200); string(seen.body) != string(longer.body) || seen.header.Get("ETag") != longer.header.Get("ETag") {
		t.Errorf("extended %s\nseen %s", longer.body, seen.body)
	}
	d.events(map[string]int{"loan.extended": 1, "reservation.safe": 1})
	d.do("POST", at+"/extend", d.member, row{"until": d.hour(37)}).want(409).wantProblem("would-hurt")
	d.sound()
}

func contains(r *response, text string) bool {
	for i := 0; i+len(text) <= len(r.body); i++ {
		if string(r.body[i:i+len(text)]) == text {
			return true
		}
	}
	return false
}

func TestToolPassesFromHandToHandOnceBothHaveSaidSo(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"})
	made := d.out(row{"until": d.hour(10)}, "R-1").want(201)
	at := d.at("loans/" + made.str("loans", 0, "id"))
	other, third := d.as("member,auditor"), d.as("member,treasurer")
	d.do("POST", at+"/hand-over", other, row{"to": "T-member-treasurer"}).want(403).wantProblem("missing-role")
	d.do("POST", at+"/hand-over", d.member, row{"to": "nobody"}).want(422).wantFault("/to")
	d.do("POST", at+"/hand-over", d.member, row{"to": d.number}).want(422).wantFault("/to")
	d.do("POST", at+"/hand-over/confirm", other, nil).want(409).wantProblem("not-allowed-now")
	offered := d.do("POST", at+"/hand-over", d.member, row{"to": "T-member-treasurer"}).want(200)
	if offered.str("passing_to") == "" {
		t.Errorf("offered %s", offered.body)
	}
	d.do("POST", at+"/hand-over/decline", other, nil).want(409).wantProblem("not-allowed-now")
	if declined := d.do("POST", at+"/hand-over/decline", third, nil).want(200); declined.get("passing_to") != nil {
		t.Errorf("declined %s", declined.body)
	}
	d.do("POST", at+"/hand-over", d.member, row{"to": "T-member-treasurer"}).want(200)
	d.do("POST", at+"/hand-over", d.member, row{"to": "T-member-auditor"}).want(200) // thought better of it
	d.do("POST", at+"/hand-over/confirm", third, nil).want(409).wantProblem("not-allowed-now")
	d.clock.advance(2 * time.Hour)
	now := d.do("POST", at+"/hand-over/confirm", other, nil).want(201)
	now.wantTime(d.clock.now(), "period", "from").wantTime(d.hour(8), "period", "until") // what was left of the first
	if now.str("state") != "open" || now.get("walk_in") != true || now.str("member_number") != "T-member-auditor" {
		t.Errorf("the new loan %s", now.body)
	}
	if seen := d.do("GET", now.header.Get("Location"), d.member, nil).want(200); string(seen.body) != string(now.body) || seen.header.Get("ETag") != now.header.Get("ETag") {
		t.Errorf("the new loan %s\nseen %s", now.body, seen.body)
	}
	if before := d.do("GET", at, d.member, nil).want(200); before.str("state") != "handed_over" || before.str("ended_at") == "" {
		t.Errorf("the first loan %s", before.body)
	}
	d.do("POST", at+"/extend", d.member, row{"until": d.hour(20)}).want(409).wantProblem("not-allowed-now")
	d.sound()

	// To one who has reserved it next: their own reservation begins early.
	own := d.reserve(third, 10, 20, toolLine("R-1")).want(201)
	second := d.at("loans/" + now.str("id"))
	d.clock.advance(time.Minute)
	d.do("POST", second+"/hand-over", other, row{"to": "T-member-treasurer"}).want(200)
	passed := d.do("POST", second+"/hand-over/confirm", third, nil).want(201)
	passed.wantTime(d.clock.now(), "period", "from").wantTime(d.hour(20), "period", "until")
	if passed.str("reservation_id") != own.str("id") || passed.get("walk_in") != false {
		t.Errorf("the third loan %s", passed.body)
	}
	d.sql(`update tool_model set certificate_needed = true`)
	third2 := d.at("loans/" + passed.str("id"))
	d.do("POST", third2+"/hand-over", third, row{"to": d.number}).want(200)
	d.do("POST", third2+"/hand-over/confirm", d.member, nil).wantRefused("R-1", "not_certified")
	d.events(map[string]int{"loan.handed_over": 2, "loan.started": 3})
	d.sound()
}

func TestLostToolMovesPromisesAndIsFoundAgain(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"})
	moved := d.reserve(d.officer, 30, 40, toolLine("G-1")).want(201)
	clash := d.reserve(d.officer, 50, 60, toolLine("G-1")).want(201)
	d.reserve(d.officer, 55, 60, toolLine("G-2")).want(201)
	made := d.out(row{"until": d.hour(10)}, "G-1").want(201)
	at := d.at("loans/" + made.str("loans", 0, "id"))
	d.do("POST", at+"/lost", d.member, nil).want(403)
	d.do("POST", at+"/lost", d.keeper, row{"occurred_at": d.hour(-9)}).want(422).wantFault("/occurred_at")
	d.do("POST", d.at("tools/G-1/found"), d.keeper, row{"garage": "dock"}).want(409).wantProblem("not-allowed-now")
	lost := d.do("POST", at+"/lost", d.keeper, row{"note": "left on the train"}).want(200)
	if lost.str("loan", "state") != "lost" || lost.num("promises", "moved") != 1 || lost.num("promises", "endangered") != 1 {
		t.Errorf("lost %s", lost.body)
	}
	d.wantLine(moved, 0, "G-2 reserved")
	d.wantLine(clash, 0, "G-1 reserved lost")
	if r := d.do("GET", d.at("reservations/"+made.str("walk_in")), d.member, nil).want(200); r.str("lines", 0, "state") != "lost" {
		t.Errorf("the reservation of a lost tool: %s", r.body)
	}
	d.do("POST", at+"/lost", d.keeper, nil).want(409).wantProblem("not-allowed-now")
	d.undo("handouts", made).wantRefused("G-1", "ended")
	d.do("POST", d.at("tools/G-1/found"), d.keeper, row{"garage": "nowhere"}).want(422).wantFault("/garage")
	found := d.do("POST", d.at("tools/G-1/found"), d.keeper, row{"garage": "dock"}).want(200)
	if found.str("state") != "quarantine" {
		t.Errorf("found %s", found.body)
	}
	d.wantLine(clash, 0, "G-1 reserved quarantine")
	d.do("POST", d.at("tools/G-1/inspections"), d.keeper, row{"verdict": "usable"}).want(201)
	d.wantLine(clash, 0, "G-1 reserved")
	d.events(map[string]int{"loan.lost": 1, "tool.found": 1})
	d.sound()
}

// What has begun and nobody has collected goes to an equal only that was free for
// all of it: one that was out in the meantime is not.
func TestAPromiseThatHasBegunIsNotMovedToWhatWasOutMeanwhile(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"})
	waits := d.reserve(d.officer, 0, 20, toolLine("G-1")).want(201)
	d.clock.advance(2 * time.Hour)
	d.out(row{"until": d.hour(1)}, "G-2").want(201)
	d.clock.advance(time.Hour)
	d.back(nil, row{"tool": "G-2"}).want(201)
	d.clock.advance(4 * time.Hour) // G-2 is clean again
	if bad := d.do("POST", d.at("tools/G-1/inspections"), d.keeper, row{"verdict": "bad"}).want(201); bad.num("promises", "endangered") != 1 {
		t.Errorf("found bad %s", bad.body)
	}
	d.wantLine(waits, 0, "G-1 reserved quarantine")
	d.sound()
}
