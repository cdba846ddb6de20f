package api_test

import (
	"strings"
	"testing"
	"time"

	"pinwright/internal/lending"
)

// rules changes the club's rules of lending.
func (w *world) rules(change map[string]any) *response {
	w.t.Helper()
	return w.do("PATCH", w.at("lending-rules"), w.officer, change, header{"If-Match", "*"}).want(200)
}

// wantRule holds a refusal to a rule with its numbers.
func (r *response) wantRule(rule string, limit, wouldBe float64) *response {
	r.t.Helper()
	r.want(409).wantProblem("against-rules")
	if r.str("rule") != rule || r.num("limit") != limit || r.num("would_be") != wouldBe || r.str("broken", 0, "rule") != rule {
		r.t.Errorf("%s: want %s, %v, %v\n%s", r.what, rule, limit, wouldBe, r.body)
	}
	return r
}

func TestLendingRulesAreReadAndChanged(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	at := w.at("lending-rules")
	first := w.do("GET", at, w.as("auditor"), nil).want(200)
	if first.num("longest_loan_days") != 90 || first.num("at_once") != 40 || first.get("fair_share_percent") != nil || first.get("approval_from") != nil || first.num("version") != 1 {
		t.Errorf("%s", first.body)
	}
	tag := header{"If-Match", first.header.Get("ETag")}
	changed := w.do("PATCH", at, w.officer, map[string]any{"at_once": 5, "fair_share_percent": 30, "approval_from": map[string]any{"minor": 40000}}, tag).want(200)
	if changed.num("at_once") != 5 || changed.num("fair_share_percent") != 30 || changed.str("approval_from", "text") != "400.00 EUR" || changed.num("longest_loan_days") != 90 || changed.num("version") != 2 {
		t.Errorf("%s", changed.body)
	}
	if seen := w.do("GET", at, w.officer, nil).want(200); string(seen.body) != string(changed.body) || seen.header.Get("ETag") != changed.header.Get("ETag") {
		t.Errorf("changed %s\nseen %s", changed.body, seen.body)
	}
	w.do("PATCH", at, w.officer, map[string]any{"at_once": 6}, tag).want(412).wantProblem("stale-version")
	w.do("PATCH", at, w.as("tool_keeper"), map[string]any{"at_once": 6}, tag).want(403)
	off := w.do("PATCH", at, w.officer, raw(`{"fair_share_percent":null,"approval_from":null}`), header{"If-Match", changed.header.Get("ETag")}).want(200)
	if off.get("fair_share_percent") != nil || off.get("approval_from") != nil || off.num("at_once") != 5 {
		t.Errorf("%s", off.body)
	}
	w.do("PATCH", at, w.officer, map[string]any{"approval_from": map[string]any{"minor": 1, "currency": "USD"}}, header{"If-Match", "*"}).want(422).wantFault("/approval_from/currency")
	w.do("PATCH", at, w.officer, raw(`{"at_once":null}`), header{"If-Match", "*"}).want(422)
}

// What the program takes for the defaults is what the table's columns have.
func TestDefaultRulesAreThoseOfTheTable(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	unset := w.do("GET", w.at("lending-rules"), w.officer, nil).want(200)
	w.exec(`insert into lending_rule (club_id) values ($1)`)
	if set := w.do("GET", w.at("lending-rules"), w.officer, nil).want(200); string(set.body) != string(unset.body) {
		t.Errorf("without a row %s\nwith the columns' defaults %s", unset.body, set.body)
	}
	if lending.DefaultRules().OfferHours != 24 || lending.DefaultRules().WalkInDays != 3 {
		t.Errorf("%+v", lending.DefaultRules())
	}
}

func TestEachRuleRefusesWithItsNumbers(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"lamp", "L-1"}, [3]string{"drift", "D-1"}, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"})
	member, keeper := w.as("member"), w.as("tool_keeper")
	w.rules(map[string]any{"longest_loan_days": 3, "days_ahead": 30, "at_once": 2, "late_borrowers_wait": true})

	w.reserve(member, 10, 10+3*24+1, toolLine("P-1")).wantRule("longest_loan_days", 3, 3.1)
	w.reserve(keeper, 10, 10+3*24+1, toolLine("P-1")).wantRule("longest_loan_days", 3, 3.1)
	w.reserve(member, 24*30, 24*30+1, toolLine("P-1")).want(409).wantProblem("against-rules")
	first := w.reserve(member, 10, 10+3*24, toolLine("P-1")).want(201)
	w.reserve(member, 100, 104, toolLine("P-1"), toolLine("L-1")).wantRule("at_once", 2, 3)
	w.reserve(member, 100, 104, toolLine("L-1")).want(201)
	w.reserve(member, 200, 204, toolLine("L-1")).wantRule("at_once", 2, 3)
	w.do("POST", first.header.Get("Location")+"/cancel", member, nil).want(200)
	made := w.reserve(member, 200, 204, toolLine("L-1")).want(201)
	// Rules hold for a change as well, but one that is reserved already counts once.
	w.change(made, member, map[string]any{"period": w.period(200, 200+73)}).wantRule("longest_loan_days", 3, 3.1)
	w.change(made, member, map[string]any{"period": w.period(24*30, 24*30+2)}).want(409).wantProblem("against-rules")
	w.change(made, member, map[string]any{"period": w.period(210, 214)}).want(200)
	// Keepers may look further ahead; several broken rules are told at once.
	w.reserve(keeper, 24*40, 24*40+1, toolLine("D-1")).want(201)
	both := w.reserve(member, 24*30, 24*34, toolLine("D-1")).want(409).wantProblem("against-rules")
	if both.str("broken", 0, "rule") != "longest_loan_days" || both.str("broken", 1, "rule") != "days_ahead" || both.str("broken", 2, "rule") != "at_once" || !strings.Contains(both.str("detail"), "ask a tool keeper") {
		t.Errorf("%s", both.body)
	}
	// What is past and was never collected counts no more.
	w.clock.advance(24 * 12 * time.Hour)
	again := w.reserve(member, 0, 2, toolLine("P-1"), toolLine("L-1")).want(201)
	// Who has something late waits.
	w.do("POST", again.header.Get("Location")+"/cancel", member, nil).want(200)
	late := w.reserve(member, 0, 2, toolLine("P-1")).want(201)
	w.exec(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, late.str("id"))
	w.exec(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select $1, gen_random_uuid(), 'handout', id, now(), now() from member where club_id = $1 limit 1`)
	w.exec(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select $1, gen_random_uuid(), b.reservation_id, 0, b.tool_id, b.member_id, a.id, now(), b.held, now() from booking b, counter_act a where b.club_id = $1 and b.reservation_id = $2`, late.str("id"))
	w.reserve(member, 30, 34, toolLine("L-1")).want(201)
	w.clock.advance(24 * time.Hour)
	refused := w.reserve(member, 60, 64, toolLine("D-1")).want(409).wantProblem("against-rules")
	if !strings.Contains(refused.str("detail"), "P-1 was due") {
		t.Errorf("%s", refused.body)
	}
	w.reserve(keeper, 60, 64, toolLine("D-1")).want(201)
}

func TestFairShareIsKeptInAnyStretch(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-3", "quarantine"}, [3]string{"lamp", "L-1"})
	member := w.as("member")
	// Of 10 days of two gauges a quarter: 120 hours in any ten days.
	w.rules(map[string]any{"fair_share_percent": 25, "fair_share_days": 10, "fair_share_free_hours": 24})
	w.reserve(member, 48, 48+60, modelLine("gauge")).want(201)
	made := w.reserve(member, 148, 148+60, modelLine("gauge")).want(201)
	w.reserve(member, 220, 221, modelLine("gauge")).wantRule("fair_share", 120, 121)
	w.reserve(member, 220, 221, modelLine("lamp")).want(201)
	w.reserve(w.officer, 220, 221, modelLine("gauge")).want(201)
	// Where the first has left the stretch there is room again; and what begins at once is anybody's.
	w.reserve(member, 48+240, 48+240+60, modelLine("gauge")).want(201)
	w.reserve(member, 1, 20, modelLine("gauge")).want(201)
	// A change measures what it gives up no more.
	w.change(made, member, map[string]any{"period": w.period(150, 210)}).want(200)
	w.change(made, member, map[string]any{"period": w.period(150, 211)}).wantRule("fair_share", 120, 121)
	w.do("POST", made.header.Get("Location")+"/cancel", member, nil).want(200)
	w.reserve(member, 148, 148+60, modelLine("gauge")).want(201)
}

// Two wishes of one member at once are measured one after the other.
func TestRulesHoldUnderRacesOfOneMember(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	var numbers []string
	for _, n := range []string{"1", "2", "3", "4", "5", "6", "7", "8"} {
		w.stock([3]string{"drift", "D-" + n})
		numbers = append(numbers, "D-"+n)
	}
	w.rules(map[string]any{"at_once": 3, "fair_share_percent": 100, "fair_share_days": 1})
	token := w.as("member")
	count, answers := race(24, func(i int) *response { return w.reserve(token, 72, 74, toolLine(numbers[i%8])) })
	if count[201] != 3 || count[409] != 21 {
		t.Errorf("answers by status: %v", count)
	}
	for _, a := range answers {
		if a.status == 409 && a.str("type") != "/problems/tool-taken" {
			a.wantProblem("against-rules")
		}
	}
	w.wantNoOverlap()
}

func TestCertificateIsNeededUntilTheLastDay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"welder", "W-1"}, [3]string{"lamp", "L-1"})
	w.exec(`update tool_model set certificate_needed = true where club_id = $1 and code = 'welder'`)
	member, keeper := w.as("member"), w.as("tool_keeper")
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	last := w.hour(72).In(lisbon).Format(time.DateOnly)
	refused := w.reserve(member, 70, 72, toolLine("L-1"), toolLine("W-1")).want(409).wantProblem("not-certified")
	if refused.str("not_certified", 0, "tool_model") != "welder" || refused.str("not_certified", 0, "needed_until") != w.hour(72).Add(-1).In(lisbon).Format(time.DateOnly) || !strings.Contains(refused.str("detail"), "tool keeper") {
		t.Errorf("%s", refused.body)
	}
	certify := func(token string, body map[string]any) *response {
		return w.do("POST", w.at("certificates"), token, body)
	}
	certify(member, map[string]any{"member": "T-member", "tool_model": "welder"}).want(403).wantProblem("missing-role")
	certify(keeper, map[string]any{"member": "T-tool_keeper", "tool_model": "welder"}).want(403).wantProblem("missing-role")
	certify(keeper, map[string]any{"member": "none", "tool_model": "welder"}).want(422).wantFault("/member")
	certify(keeper, map[string]any{"member": "T-member", "tool_model": "none"}).want(422).wantFault("/tool_model")
	certify(keeper, map[string]any{"member": "T-member", "tool_model": "welder", "expires_on": "2020-01-01"}).want(422).wantFault("/expires_on")
	made := certify(keeper, map[string]any{"member": "T-member", "tool_model": "welder", "expires_on": last}).want(201)
	if seen := w.do("GET", made.header.Get("Location"), member, nil).want(200); string(seen.body) != string(made.body) || seen.header.Get("ETag") != made.header.Get("ETag") {
		t.Errorf("made %s\nseen %s", made.body, seen.body)
	}
	booked := w.reserve(member, 70, 72, toolLine("L-1"), toolLine("W-1")).want(201)
	w.change(booked, member, map[string]any{"period": w.period(70, 72+48)}).want(409).wantProblem("not-certified")
	w.reserve(keeper, 200, 204, toolLine("W-1")).want(409).wantProblem("not-certified")

	forever := certify(w.officer, map[string]any{"member": "M1", "tool_model": "welder"}).want(201)
	w.reserve(w.officer, 300, 304, toolLine("W-1")).want(201)
	for query, want := range map[string]int{"": 2, "?member=T-member": 1, "?tool_model=welder": 2, "?tool_model=lamp": 0, "?member=M1&tool_model=welder": 1} {
		if list, _ := w.do("GET", w.at("certificates"+query), member, nil).want(200).get("items").([]any); len(list) != want {
			t.Errorf("%s lists %d, want %d", query, len(list), want)
		}
	}
	w.do("GET", w.at("certificates?member=none"), member, nil).want(422).wantFault("?member")
	w.do("GET", w.at("certificates?tool_model=none"), member, nil).want(422).wantFault("?tool_model")
	w.clock.advance(time.Minute)
	gone := w.do("POST", forever.header.Get("Location")+"/withdraw", keeper, nil).want(200)
	if gone.str("withdrawn_at") == "" || gone.num("version") != 2 {
		t.Errorf("%s", gone.body)
	}
	w.do("POST", forever.header.Get("Location")+"/withdraw", keeper, nil).want(409).wantProblem("not-allowed-now")
	w.reserve(w.officer, 310, 314, toolLine("W-1")).want(409).wantProblem("not-certified")
}
