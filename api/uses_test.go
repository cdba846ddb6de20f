package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// cutters is a club with four hinges, two reamers and a repair of the left ones; the member has the larger
// reamer since two hours ago.
func cutters(t *testing.T) (w *world, loan string) {
	t.Helper()
	w = hingeSet(t)
	w.as("member")
	w.do("POST", w.at("repairs"), w.officer, row{"vehicle": "tourer", "joints": fourHinges[:2], "procedure": "door-hinge", "garage": "north"}).want(201)
	return w, w.lend("R-0.322", "T-member", w.clock.now().Add(-2*time.Hour), w.clock.now().Add(48*time.Hour)).String()
}

func (w *world) uses(token, tool string, lines ...row) *response {
	w.t.Helper()
	return w.do("POST", w.at("tools/"+tool+"/uses"), token, row{"uses": lines})
}

func (w *world) before(d time.Duration) time.Time { return w.clock.now().Add(-d) }

func TestABorrowerTellsWhatAToolDid(t *testing.T) {
	t.Parallel()
	w, loan := cutters(t)
	bore := w.bores(fourHinges[0])[0]
	made := w.uses(w.as("member"), "R-0.322",
		row{"work": "holes", "repair": "R1", "joint": fourHinges[0], "feature": bore, "size_before": "0.316 in", "depth": "20 mm", "material": "low_carbon_steel", "lubricant": "cutting_oil", "guidance": "pilot", "used_at": w.before(time.Hour), "note": "It grabbed once"},
		row{"work": "holes", "count": 2, "joint": fourHinges[1], "repair": "r1"},
		row{"work": "other", "loan": loan}).want(201)
	if made.num("already") != 0 || made.str("uses", 0, "loan_id") != loan || made.str("uses", 0, "feature") != bore || made.str("uses", 0, "position") != fourHinges[0] || made.str("uses", 0, "repair") != "R1" ||
		made.get("uses", 0, "size_before", "value") != 8.0264 || made.get("uses", 0, "depth", "value") != 20.0 || made.str("uses", 0, "guidance") != "pilot" || made.num("uses", 1, "count") != 2 || made.num("uses", 2, "count") != 1 {
		t.Errorf("%s", made.body)
	}
	made.wantTime(w.before(time.Hour), "uses", 0, "used_at").wantTime(w.clock.now(), "uses", 1, "used_at")
	one := w.do("GET", w.at("tools/R-0.322/uses/"+made.str("uses", 0, "id")), w.as("auditor"), nil).want(200)
	if fmt.Sprint(one.json()) != fmt.Sprint(made.get("uses", 0)) {
		t.Errorf("made %s\nread %s", made.body, one.body)
	}
	w.do("GET", w.at("tools/R-0.318/uses/"+one.str("id")), w.as("auditor"), nil).want(404)

	list := w.do("GET", w.at("tools/R-0.322/uses?limit=2"), w.as("auditor"), nil).want(200)
	next := w.do("GET", w.at("tools/R-0.322/uses?limit=2&cursor="+list.str("next")), w.as("auditor"), nil).want(200)
	if len(list.get("items").([]any)) != 2 || len(next.get("items").([]any)) != 1 || next.str("items", 0, "id") != one.str("id") || next.get("next") != nil {
		t.Errorf("%s\n%s", list.body, next.body)
	}
	if list.str("since_renewal", "work", 0, "work") != "holes" || list.num("since_renewal", "work", 0, "count") != 3 || list.num("since_renewal", "work", 0, "uses") != 2 || list.get("since_calibration") != nil {
		t.Errorf("%s", list.body)
	}
	for query, want := range map[string]int{"?loan=" + loan: 3, "?member=T-member": 3, "?member=M1": 0, "?repair=R1": 2} {
		if got := w.do("GET", w.at("tools/R-0.322/uses"+query), w.as("auditor"), nil).want(200); len(got.get("items").([]any)) != want {
			t.Errorf("%s: %s", query, got.body)
		}
	}
	w.do("GET", w.at("tools/R-0.322/uses?member=nobody&repair=R9&loan="+newID()), w.as("auditor"), nil).want(422).wantFault("?member").wantFault("?repair").wantFault("?loan")
	w.do("GET", w.at("tools/R-0.318/uses?loan="+loan), w.as("auditor"), nil).want(422).wantFault("?loan")
}

func TestWhoTellsOfAUse(t *testing.T) {
	t.Parallel()
	w, loan := cutters(t)
	other, otherID := w.member("B2")
	hole := row{"work": "holes"}
	w.uses(other, "R-0.322", hole).want(403).wantProblem("missing-role")
	w.uses(other, "R-0.322", with(hole, row{"loan": loan})).want(403).wantProblem("missing-role")
	w.uses(w.as("member"), "R-0.318", hole).want(403).wantProblem("missing-role") // that one is in the house
	w.uses(w.as("member"), "R-0.322", with(hole, row{"used_at": w.before(3 * time.Hour)})).want(403)
	w.uses(w.as("member"), "R-0.322", with(hole, row{"member": "B2"})).want(403).wantProblem("missing-role")
	w.uses(w.as("auditor"), "R-0.322", hole).want(403).wantProblem("missing-role")
	w.uses(w.as("member"), "R-0.999", hole).want(404)
	for token, want := range map[string][3]any{w.as("tool_keeper"): {"R-0.318", nil, ""}, w.officer: {"R-0.322", loan, "T-member"}} {
		made := w.uses(token, want[0].(string), hole).want(201)
		if made.get("uses", 0, "loan_id") != want[1] {
			t.Errorf("%s", made.body)
		}
		if want[2] != "" && made.str("uses", 0, "member_id") != w.of(`select id::text from member where club_id = $1 and number = $2`, want[2]) {
			t.Errorf("%s", made.body)
		}
	}
	if made := w.uses(w.officer, "R-0.322", with(hole, row{"member": "B2"})).want(201); made.str("uses", 0, "member_id") != otherID {
		t.Errorf("%s", made.body)
	}

	// The loan ended an hour ago: what is told now was then, and a time beside it is not the loan's.
	w.giveBack(uuid.MustParse(loan), w.before(time.Hour), "north", "good")
	late := w.uses(w.as("member"), "R-0.322", with(hole, row{"loan": loan})).want(201)
	late.wantTime(w.before(time.Hour), "uses", 0, "used_at")
	w.uses(w.as("member"), "R-0.322", with(hole, row{"loan": loan, "used_at": w.before(30 * time.Minute)})).want(422).wantFault("/uses/0/used_at")
	w.uses(w.officer, "R-0.322", with(hole, row{"loan": loan, "used_at": w.clock.now().Add(time.Hour)})).want(422).wantFault("/uses/0/used_at")
	w.uses(w.officer, "R-0.318", with(hole, row{"loan": loan})).want(422).wantFault("/uses/0/loan")
}

func TestAUseThatCannotBeIsRefusedWithEveryReason(t *testing.T) {
	t.Parallel()
	w, _ := cutters(t)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "wagon", "name": "Wagon"}).want(201)
	w.do("POST", w.at("vehicles/wagon/joints"), w.officer, row{"template": "door-hinge", "positions": fourHinges[:1], "nominal": "8 mm"}).want(201)
	pins := w.of(`select f.code from feature f join joint j on j.club_id = f.club_id and j.id = f.joint_id where f.club_id = $1 and f.shape = 'pin' and j.position = $2 limit 1`, fourHinges[1])
	bore := w.bores(fourHinges[1])[0]
	w.uses(w.officer, "R-0.322",
		row{"work": "pulls"}, row{"work": "other", "depth": "1 mm"}, row{"work": "holes", "depth": "2000 mm", "size_before": "20 mm"}, row{"work": "holes", "repair": "R7"}, row{"work": "holes", "repair": "R1", "joint": fourHinges[2]},
		row{"work": "holes", "joint": "nowhere"}, row{"work": "holes", "feature": "bore"}, row{"work": "holes", "joint": fourHinges[1], "feature": "nothing"}, row{"work": "holes", "joint": fourHinges[1], "feature": pins},
		row{"work": "holes", "joint": fourHinges[1], "feature": bore}, row{"work": "holes", "joint": fourHinges[1], "feature": bore}, row{"work": "holes", "member": "nobody"}).
		want(422).wantFault("/uses/0/work").wantFault("/uses/1/work").wantFault("/uses/2/depth").wantFault("/uses/2/size_before").wantFault("/uses/3/repair").wantFault("/uses/4/joint").wantFault("/uses/5/joint").
		wantFault("/uses/6/joint").wantFault("/uses/7/feature").wantFault("/uses/8/feature").wantFault("/uses/10/feature").wantFault("/uses/11/member")
	// Two cars have such a hinge; the repair says which.
	w.uses(w.officer, "R-0.322", row{"work": "holes", "joint": fourHinges[0]}).want(422).wantProblem("ambiguous-name").wantFault("/uses/0/joint")
	w.uses(w.officer, "R-0.322", row{"work": "holes", "joint": fourHinges[0], "repair": "R1"}).want(201)
	w.uses(w.officer, "R-0.322", row{"work": "holes", "count": 0}).want(422)
	w.uses(w.officer, "R-0.322").want(422)
}

func TestAUseOfAFeatureCountsOnceForALoan(t *testing.T) {
	t.Parallel()
	w, loan := cutters(t)
	id, bore := newID(), w.bores(fourHinges[0])[0]
	hole := row{"id": id, "work": "holes", "joint": fourHinges[0], "feature": bore, "used_at": w.before(time.Hour)}
	w.uses(w.as("member"), "R-0.322", hole).want(201)
	if again := w.uses(w.as("member"), "R-0.322", hole).want(200); again.num("already") != 1 || again.str("uses", 0, "id") != id {
		t.Errorf("%s", again.body)
	}
	if more := w.uses(w.as("member"), "R-0.322", hole, row{"work": "other"}).want(201); more.num("already") != 1 {
		t.Errorf("%s", more.body)
	}
	w.uses(w.as("member"), "R-0.322", with(hole, row{"count": 2})).want(409).wantProblem("id-used")
	double := with(hole, row{"id": newID()})
	if r := w.uses(w.as("member"), "R-0.322", double).want(409).wantProblem("not-allowed-now"); !strings.Contains(r.str("detail"), "/uses/0") || !strings.Contains(r.str("detail"), loan) {
		t.Errorf("%s", r.body)
	}
	w.uses(w.as("member"), "R-0.322", double, double).want(422).wantFault("/uses/1/id")

	at := w.at("tools/R-0.322/uses/" + id + "/void")
	other, _ := w.member("B2")
	w.do("POST", at, other, row{"reason": "Not mine"}).want(403).wantProblem("missing-role")
	w.clock.advance(25 * time.Hour)
	w.do("POST", at, w.as("member"), row{"reason": "It was the other one"}).want(409).wantProblem("not-allowed-now")
	gone := w.do("POST", at, w.as("tool_keeper"), row{"reason": "It was the other one"}).want(200)
	if gone.str("void", "reason") != "It was the other one" {
		t.Errorf("%s", gone.body)
	}
	w.do("POST", at, w.as("tool_keeper"), row{"reason": "Once more"}).want(409).wantProblem("not-allowed-now")
	w.uses(w.as("member"), "R-0.322", double).want(201)
	mine := w.uses(w.as("member"), "R-0.322", row{"work": "other"}).want(201)
	w.do("POST", w.at("tools/R-0.322/uses/"+mine.str("uses", 0, "id")+"/void"), w.as("member"), row{"reason": "A slip"}).want(200)
	list := w.do("GET", w.at("tools/R-0.322/uses"), w.officer, nil).want(200)
	if len(list.get("items").([]any)) != 4 || list.num("since_renewal", "work", 0, "count") != 1 {
		t.Errorf("%s", list.body)
	}

	key := header{"Idempotency-Key", newID()}
	body := row{"uses": []row{{"work": "other"}}}
	first := w.do("POST", w.at("tools/R-0.322/uses"), w.officer, body, key).want(201)
	if second := w.do("POST", w.at("tools/R-0.322/uses"), w.officer, body, key).want(201); string(second.body) != string(first.body) || second.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("%s\n%s", first.body, second.body)
	}
}

// Phones send late and double, and several people tell of the same cut.
func TestTheSameUseToldByManyAtOnceCountsOnce(t *testing.T) {
	t.Parallel()
	w, loan := cutters(t)
	w.patient()
	id, member, bores := newID(), w.as("member"), []string{w.bores(fourHinges[0])[0], w.bores(fourHinges[1])[0]}
	count, _ := race(24, func(int) *response {
		return w.uses(member, "R-0.322", row{"id": id, "work": "holes", "joint": fourHinges[0], "feature": bores[0], "loan": loan})
	})
	if count[201] != 1 || count[200] != 23 {
		t.Errorf("the same id: %v, want it made once and found 23 times", count)
	}
	count, answers := race(24, func(int) *response {
		return w.uses(member, "R-0.322", row{"id": newID(), "work": "holes", "joint": fourHinges[1], "feature": bores[1], "loan": loan})
	})
	if count[201] != 1 || count[409] != 23 {
		t.Errorf("ids of their own: %v, want one that counts", count)
	}
	for _, a := range answers {
		if a.status == 409 {
			a.wantProblem("not-allowed-now")
		}
	}
	if n := w.tally(`select count(*) from tool_use where club_id = $1`, w.club.ClubID); n != 2 {
		t.Errorf("%d uses", n)
	}
	if n := w.db.Deadlocks(t); n > 0 {
		t.Errorf("writers waited in a circle %d times", n)
	}
}

// A handout is undone, or its tool was used: not both.
func TestAHandoutWithUsesIsNotUndone(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"press", "P-1"}, [3]string{"press", "P-2"})
	made := d.out(nil, "P-1").want(201)
	used := d.uses(d.member, "P-1", row{"work": "pressings"}).want(201)
	if r := d.undo("handouts", made).want(409).wantProblem("not-allowed-now"); !strings.Contains(r.str("detail"), "P-1") {
		t.Errorf("%s", r.body)
	}
	d.do("POST", d.at("tools/P-1/uses/"+used.str("uses", 0, "id")+"/void"), d.member, row{"reason": "It was the other press"}).want(200)
	d.undo("handouts", made).want(200)
	d.uses(d.keeper, "P-1", row{"work": "pressings", "loan": made.str("loans", 0, "id")}).want(422).wantFault("/uses/0/loan")
	d.patient()
	for range 4 {
		made := d.out(nil, "P-2").want(201)
		count, _ := race(8, func(i int) *response {
			if i == 0 {
				return d.undo("handouts", made)
			}
			return d.uses(d.member, "P-2", row{"work": "pressings", "loan": made.str("loans", 0, "id")})
		})
		undone := d.tally(`select count(*) from loan where club_id = $1 and id = $2 and ended = 'undone'`, d.club.ClubID, made.str("loans", 0, "id"))
		if uses := d.tally(`select count(*) from tool_use where club_id = $1 and loan_id = $2 and voided_at is null`, d.club.ClubID, made.str("loans", 0, "id")); undone > 0 && uses > 0 || undone == 0 && uses == 0 || count[201] != uses {
			t.Errorf("%d undone, %d uses: %v", undone, uses, count)
		}
		if undone == 0 {
			d.back(nil, row{"tool": "P-2"}).want(201)
		}
		d.clock.advance(time.Hour)
	}
}

func TestAReturnTellsWhatTheToolsDid(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"press", "P-1"}, [3]string{"lamp", "L-1"})
	made := d.out(nil, "P-1", "L-1").want(201)
	d.clock.advance(time.Hour)
	use := row{"id": newID(), "work": "pressings", "count": 4}
	if r := d.back(nil, row{"tool": "P-1", "uses": []row{use, {"work": "holes", "joint": "nowhere"}}}, row{"tool": "L-1"}).want(422).wantFault("/tools/0/uses/1/joint"); d.tally(`select count(*) from loan where club_id = $1 and ended is not null`, d.club.ClubID) != 0 {
		t.Errorf("%s", r.body)
	}
	back := d.back(nil, row{"tool": "L-1"}, row{"tool": "P-1", "uses": []row{use}}).want(201)
	if back.str("uses", 0, "tool_number") != "P-1" || back.str("uses", 0, "loan_id") != d.of(`select l.id::text from loan l join tool t on t.club_id = l.club_id and t.id = l.tool_id where l.club_id = $1 and t.number = 'P-1'`) || back.num("uses", 0, "count") != 4 {
		t.Errorf("%s", back.body)
	}
	back.wantTime(d.clock.now(), "uses", 0, "used_at")
	if n := d.tally(`select count(*) from tool_use where club_id = $1 and member_id = (select id from member where club_id = $1 and number = $2)`, d.club.ClubID, d.number); n != 1 {
		t.Errorf("%d uses of the borrower's; %s", n, made.body)
	}
}
