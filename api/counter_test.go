package api_test

import (
	"strings"
	"testing"
	"time"
)

// desk is a world whose clock stands at an hour at which the garage is open, with
// a keeper and a member who has a number.
type desk struct {
	*world
	keeper, member string // tokens
	number         string // the member's
}

func newDesk(t *testing.T, tools ...[3]string) *desk {
	t.Helper()
	w := newWorld(t)
	w.stock(tools...)
	d := &desk{world: w, keeper: w.as("tool_keeper"), member: w.as("member"), number: "T-member"}
	return d
}

func (d *desk) sql(sql string, args ...any) {
	d.t.Helper()
	if _, err := d.db.Owner.Exec(d.t.Context(), sql, args...); err != nil {
		d.t.Fatal(err)
	}
}

// out hands tools to the desk's member.
func (d *desk) out(more row, numbers ...string) *response {
	d.t.Helper()
	body := row{"member": d.number}
	var tools []row
	for _, n := range numbers {
		tools = append(tools, row{"tool": n})
	}
	if len(tools) > 0 {
		body["tools"] = tools
	}
	return d.do("POST", d.at("handouts"), d.keeper, with(body, more))
}

// back takes tools back at the garage of stock.
func (d *desk) back(more row, tools ...row) *response {
	d.t.Helper()
	return d.do("POST", d.at("returns"), d.keeper, with(row{"garage": "dock", "tools": tools}, more))
}

func (d *desk) undo(what string, made *response) *response {
	d.t.Helper()
	return d.do("POST", d.at(what+"/"+made.str("id")+"/undo"), d.keeper, nil)
}

// wantRefused holds a refusal to that reason for that tool.
func (r *response) wantRefused(tool, code string) *response {
	r.t.Helper()
	r.want(409).wantProblem("counter-refused")
	list, _ := r.get("refused").([]any)
	for i := range list {
		if r.str("refused", i, "tool") == tool && r.str("refused", i, "code") == code {
			return r
		}
	}
	r.t.Fatalf("%s: %s is not refused as %s\n%s", r.what, tool, code, r.body)
	return r
}

// lineState is the state of a reservation's line, with why it is endangered.
func (d *desk) line(reservation *response, line int) (tool, state, endangered string, from, until, heldUntil time.Time) {
	d.t.Helper()
	err := d.db.Owner.QueryRow(d.t.Context(), `select t.number, b.state, coalesce(b.endangered, ''), lower(b.period), upper(b.period), upper(b.held)
		from booking b join tool t on t.club_id = b.club_id and t.id = b.tool_id where b.reservation_id = $1 and b.line = $2`, reservation.str("id"), line).
		Scan(&tool, &state, &endangered, &from, &until, &heldUntil)
	if err != nil {
		d.t.Fatal(err)
	}
	return
}

func (d *desk) wantLine(reservation *response, line int, want string) {
	d.t.Helper()
	tool, state, endangered, _, _, _ := d.line(reservation, line)
	if got := strings.TrimSpace(tool + " " + state + " " + endangered); got != want {
		d.t.Errorf("line %d is %q, want %q", line, got, want)
	}
}

// sound holds what must be true of loans whatever happened: see the invariants.
func (d *desk) sound() {
	d.t.Helper()
	rows, err := d.db.Owner.Query(d.t.Context(), `
		select 'open loan without a booking out: ' || l.id from loan l join booking b using (club_id, reservation_id, line) where l.ended is null and (b.state <> 'out' or b.tool_id <> l.tool_id)
		union all select 'booking out without an open loan: ' || b.reservation_id from booking b where b.state = 'out'
			and not exists (select from loan l where l.club_id = b.club_id and l.reservation_id = b.reservation_id and l.line = b.line and l.ended is null)
		union all select 'two open loans of a tool: ' || tool_id from loan where ended is null group by club_id, tool_id having count(*) > 1
		union all select 'a collected reservation that is cancelled: ' || r.id from reservation r join booking b on b.club_id = r.club_id and b.reservation_id = r.id where r.cancelled_at is not null and b.state in ('out', 'reserved')`)
	if err != nil {
		d.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var fault string
		if err := rows.Scan(&fault); err != nil {
			d.t.Fatal(err)
		}
		d.t.Error(fault)
	}
	if err := rows.Err(); err != nil {
		d.t.Fatal(err)
	}
	d.wantNoOverlap()
}

func TestReservedToolGoesOutByItsNumberAndComesBack(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	r := d.reserve(d.member, 2, 30, toolLine("R-1"), toolLine("P-1")).want(201)
	key := header{"Idempotency-Key", newID()}
	body := row{"member": d.number, "tools": []row{{"tool": "R-1", "condition": "worn", "note": "one flute blunt", "deposit": row{"minor": 2000}}}}
	d.do("POST", d.at("handouts"), d.member, body).want(403).wantProblem("missing-role")
	made := d.do("POST", d.at("handouts"), d.keeper, body, key).want(201)
	if again := d.do("POST", d.at("handouts"), d.keeper, body, key).want(201); string(again.body) != string(made.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	if made.str("loans", 0, "reservation_id") != r.str("id") || made.str("loans", 0, "deposit", "text") != "20.00 EUR" || made.str("loans", 0, "condition_out") != "worn" || made.get("walk_in") != nil {
		t.Errorf("handed out %s", made.body)
	}
	// Collected two hours early, since nobody else has it until then.
	made.wantTime(d.clock.now(), "loans", 0, "period", "from").wantTime(d.hour(30), "loans", 0, "period", "until")
	d.wantLine(r, 0, "R-1 out")
	d.wantLine(r, 1, "P-1 reserved")
	loan := d.do("GET", d.at("loans/"+made.str("loans", 0, "id")), d.as("auditor"), nil).want(200)
	if loan.str("state") != "open" || loan.num("version") != made.num("loans", 0, "version") {
		t.Errorf("handed out %s\nseen %s", made.body, loan.body)
	}
	d.do("GET", d.at("loans/"+loan.str("id")), d.member, nil, header{"If-None-Match", loan.header.Get("ETag")}).want(304)
	d.out(nil, "R-1").wantRefused("R-1", "not_in_house")
	d.do("POST", d.at("reservations/"+r.str("id")+"/cancel"), d.member, nil).want(409)
	d.sound()

	d.clock.advance(3 * time.Hour)
	returned := d.back(row{"member": d.number}, row{"tool": "R-1", "condition": "worn", "parts": 1, "checks": []row{{"value": "9.002 mm", "with": "M7", "place": "tip"}}}).want(201)
	if returned.str("loans", 0, "state") != "returned" || len(returned.get("quarantined").([]any)) != 0 {
		t.Errorf("returned %s", returned.body)
	}
	_, state, _, from, until, heldUntil := d.line(r, 0)
	if state != "returned" || !until.Equal(d.clock.now()) || !from.Equal(d.clock.now().Add(-3*time.Hour)) || !heldUntil.Equal(d.clock.now().Add(2*time.Hour)) {
		t.Errorf("the line is %s from %s until %s, held until %s", state, from, until, heldUntil)
	}
	d.back(nil, row{"tool": "R-1"}).wantRefused("R-1", "not_out")
	seen := d.do("GET", d.at("tools/R-1/inspections"), d.keeper, nil).want(200)
	if seen.str("items", 0, "verdict") != "usable" || seen.str("items", 0, "checks", 0, "value", "text") != "9.002 mm" || seen.str("items", 0, "checks", 0, "with") != "M7" || seen.str("items", 0, "return_id") != returned.str("id") {
		t.Errorf("inspections %s", seen.body)
	}
	d.do("GET", d.at("tools/R-1/inspections"), d.member, nil).want(403)
	final := d.do("GET", d.at("loans/"+loan.str("id")), d.member, nil).want(200)
	if final.str("state") != "returned" || final.num("version") != returned.num("loans", 0, "version") || final.str("condition_in") != "worn" {
		t.Errorf("after the return %s", final.body)
	}
	for _, list := range []struct {
		query string
		items int
	}{{"", 1}, {"?state=open", 0}, {"?state=ended", 1}, {"?state=late", 0}, {"?tool=R-1&member=T-member", 1}, {"?tool=P-1", 0}, {"?member=M1", 0}} {
		if got := d.do("GET", d.at("loans"+list.query), d.member, nil).want(200); len(got.get("items").([]any)) != list.items {
			t.Errorf("loans%s: %s", list.query, got.body)
		}
	}
	d.do("GET", d.at("loans?tool=X&member=Y"), d.member, nil).want(422).wantFault("?tool").wantFault("?member")
	d.sound()
}

func TestHandoutIsAllOrNothingAndTellsEveryReason(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"}, [3]string{"gauge", "G-1", "quarantine"}, [3]string{"gauge", "G-2", "lost"}, [3]string{"gauge", "G-3", "retired"},
		[3]string{"press", "X-1"}, [3]string{"lathe", "L-1"}, [3]string{"saw", "S-1"})
	taken := d.reserve(d.officer, -0, 5, toolLine("P-1")).want(201)
	d.clock.advance(time.Hour)
	d.sql(`update tool_model set certificate_needed = true where code = 'press'`)
	d.sql(`update tool_model set deposit_minor = 5000 where code = 'saw'`)
	d.sql(`insert into lending_rule (club_id, deposit_at_handout) values ($1, true)`, d.club.ClubID)
	waiting := d.reserve(d.member, 1, 9, toolLine("L-1")).want(201)
	d.sql(`update reservation set approval = 'awaited' where id = $1`, waiting.str("id"))
	refused := d.out(nil, "R-1", "P-1", "G-1", "G-2", "G-3", "X-1", "L-1", "S-1")
	refused.wantRefused("P-1", "promised").wantRefused("G-1", "quarantine").wantRefused("G-2", "lost").wantRefused("G-3", "retired").wantRefused("X-1", "not_certified").
		wantRefused("L-1", "approval_awaited").wantRefused("S-1", "deposit_missing")
	_, _, _, _, _, held := d.line(taken, 0)
	for i := range refused.get("refused").([]any) {
		if refused.str("refused", i, "code") == "promised" {
			refused.wantTime(held, "refused", i, "free_from")
		}
	}
	if strings.Contains(string(refused.body), `"tool":"R-1"`) {
		t.Errorf("R-1 is refused though nothing is wrong with it: %s", refused.body)
	}
	if n := d.tally(`select count(*) from loan`) + d.tally(`select count(*) from counter_act`); n != 0 {
		t.Errorf("a refused handout left %d rows", n)
	}
	d.sql(`update reservation set approval = 'given', offer_until = $2 where id = $1`, waiting.str("id"), d.hour(3))
	d.out(nil, "L-1").wantRefused("L-1", "offer_open")

	// Each fault of the request at once.
	d.do("POST", d.at("handouts"), d.keeper, row{"member": "nobody", "kit": "nothing", "tools": []row{{"tool": "R-1"}, {"tool": "R-1"}, {"tool": "Z"}},
		"until": d.hour(-3), "days": 2, "occurred_at": d.hour(9)}).want(422).wantFault("/member").wantFault("/kit").wantFault("/tools/1/tool").wantFault("/tools/2/tool").
		wantFault("/until").wantFault("/days").wantFault("/occurred_at")
	d.do("POST", d.at("handouts"), d.keeper, row{"member": d.number}).want(422).wantFault("/tools")
	d.do("POST", d.at("handouts"), d.keeper, row{"member": d.number, "tools": []row{{"tool": "S-1", "deposit": row{"minor": 1, "currency": "USD"}}}}).want(422).wantFault("/tools/0/deposit/currency")

	d.sql(`insert into certificate (club_id, id, member_id, model_id, certified_by, certified_at, expires_on)
		select m.club_id, gen_random_uuid(), p.id, m.id, p.id, $1::timestamptz, $1::timestamptz::date + 1 from tool_model m join member p using (club_id) where m.code = 'press' and p.number = 'T-member'`, d.clock.now())
	made := d.out(row{"days": 20}, "X-1").want(201)
	if len(made.get("shortened").([]any)) != 1 || !strings.Contains(made.str("summary"), "certificate") {
		t.Errorf("not shortened to the certificate: %s", made.body)
	}
	d.do("POST", d.at("loans/"+made.str("loans", 0, "id")+"/extend"), d.member, row{"until": d.hour(24 * 30)}).want(422).wantFault("/until")
	d.sound()
}

func TestWalkInIsShortenedToWhatHurtsNobody(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	d.reserve(d.officer, 20, 30, toolLine("R-1")).want(201)
	made := d.out(row{"until": d.hour(40)}, "R-1", "P-1").want(201)
	// The club's two hours of cleaning stay before the next promise.
	made.wantTime(d.hour(18), "loans", 0, "period", "until").wantTime(d.hour(40), "loans", 1, "period", "until")
	if made.str("walk_in") == "" || made.str("loans", 0, "reservation_id") != made.str("walk_in") || len(made.get("shortened").([]any)) != 1 || !strings.Contains(made.str("summary"), "R-1 is lent until") {
		t.Errorf("handed out %s", made.body)
	}
	if r := d.do("GET", d.at("reservations/"+made.str("walk_in")), d.member, nil).want(200); r.str("lines", 0, "state") != "out" {
		t.Errorf("the reservation of a walk-in: %s", r.body)
	}
	d.sound()

	// Undone: the walk-in is cancelled, and the tools are free.
	undone := d.undo("handouts", made).want(200)
	if undone.str("loans", 0, "state") != "undone" || undone.str("undone_at") == "" {
		t.Errorf("undone %s", undone.body)
	}
	d.undo("handouts", made).want(409).wantProblem("not-allowed-now")
	d.reserve(d.officer, 0, 10, toolLine("R-1")).want(201)
	d.sound()

	// Less than an hour is no loan; the default is as long as the rules say, until the garage closes.
	d.out(nil, "R-1").wantRefused("R-1", "promised")
	d.sql(`update garage set opens = '08:00', closes = '20:00'`)
	made = d.out(nil, "P-1").want(201)
	until, err := time.Parse(time.RFC3339, made.str("loans", 0, "period", "until"))
	lisbon, _ := time.LoadLocation("Europe/Lisbon")
	if local := until.In(lisbon); err != nil || local.Hour() != 20 || local.YearDay() != d.clock.now().In(lisbon).AddDate(0, 0, 3).YearDay() {
		t.Errorf("lent until %s, want the closing three days on", made.str("loans", 0, "period", "until"))
	}
	d.clock.advance(16 * time.Minute)
	d.undo("handouts", made).want(409).wantProblem("not-allowed-now")
	d.sound()
}

func TestUndoOfAHandoutReservesAgainAndOfAReturnLendsAgain(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"})
	r := d.reserve(d.member, 1, 50, toolLine("R-1")).want(201)
	made := d.out(nil, "R-1").want(201)
	d.undo("handouts", made).want(200)
	tool, state, _, from, until, held := d.line(r, 0)
	if tool != "R-1" || state != "reserved" || !from.Equal(d.hour(1)) || !until.Equal(d.hour(50)) || !held.Equal(d.hour(52)) {
		t.Errorf("after the undo the line is %s %s from %s until %s, held until %s", tool, state, from, until, held)
	}
	d.out(nil, "R-1").want(201)
	d.clock.advance(2 * time.Hour)
	returned := d.back(nil, row{"tool": "R-1"}).want(201)
	d.do("POST", d.at("handouts/"+returned.str("id")+"/undo"), d.keeper, nil).want(404)
	loan := d.undo("returns", returned).want(200).str("loans", 0, "id")
	d.wantLine(r, 0, "R-1 out")
	if _, _, _, _, until, held := d.line(r, 0); !until.Equal(d.hour(48)) || !held.Equal(d.hour(50)) {
		t.Errorf("after the undo it is out until %s, held until %s", until, held)
	}
	if seen := d.do("GET", d.at("loans/"+loan), d.member, nil).want(200); seen.str("state") != "open" || seen.get("return_id") != nil {
		t.Errorf("after the undo %s", seen.body)
	}
	d.sound()

	// Once the freed time is promised, a return stays.
	returned = d.back(nil, row{"tool": "R-1"}).want(201)
	d.reserve(d.officer, 10, 20, toolLine("R-1")).want(201)
	d.undo("returns", returned).wantRefused("R-1", "promised")
	d.sound()
}

func TestBadReturnMovesLaterReservationsToEqualsOrEndangersThem(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"other", "O-1"})
	first := d.reserve(d.officer, 30, 40, toolLine("G-1")).want(201)
	exactly := d.reserve(d.officer, 50, 60, toolLine("G-1")).want(201)
	d.sql(`update booking set exactly = true where reservation_id = $1`, exactly.str("id"))
	crowded := d.reserve(d.officer, 70, 80, toolLine("G-1")).want(201)
	d.reserve(d.officer, 79, 90, toolLine("G-2")).want(201)
	d.out(row{"until": d.hour(10)}, "G-1").want(201)
	d.clock.advance(time.Hour)
	returned := d.back(nil, row{"tool": "G-1", "condition": "damaged", "note": "dropped"}).want(201)
	if returned.num("promises", "moved") != 1 || returned.num("promises", "endangered") != 2 || returned.str("quarantined", 0) != "G-1" {
		t.Errorf("returned %s", returned.body)
	}
	d.wantLine(first, 0, "G-2 reserved")
	d.wantLine(exactly, 0, "G-1 reserved quarantine")
	d.wantLine(crowded, 0, "G-1 reserved quarantine")
	if tool := d.do("GET", d.at("tools/G-1"), d.member, nil).want(200); tool.str("state") != "quarantine" {
		t.Errorf("after a bad return %s", tool.body)
	}
	d.undo("returns", returned).wantRefused("G-1", "displaced")
	d.out(nil, "G-1").wantRefused("G-1", "quarantine")
	d.events(map[string]int{"reservation.moved": 1, "reservation.endangered": 2, "tool.quarantined": 1, "tool.inspected": 1, "loan.returned": 1})

	// A good inspection lends it again; what was moved stays where it is.
	good := d.do("POST", d.at("tools/G-1/inspections"), d.keeper, row{"verdict": "good", "checks": []row{{"value": "8.001 mm"}}, "next_due_on": "2099-01-01"}).want(201)
	if good.num("promises", "safe") != 2 {
		t.Errorf("inspection %s", good.body)
	}
	d.wantLine(exactly, 0, "G-1 reserved")
	// A keeper who edits the tool's state moves them too.
	d.do("PATCH", d.at("tools/G-2"), d.keeper, row{"state": "retired"}, header{"If-Match", "*"}).want(200)
	d.wantLine(first, 0, "G-1 reserved")
	d.do("POST", d.at("tools/G-1/inspections"), d.keeper, row{"verdict": "bad"}).want(201)
	d.wantLine(first, 0, "G-1 reserved quarantine")
	d.do("PATCH", d.at("tools/G-1"), d.keeper, row{"state": "in_service"}, header{"If-Match", "*"}).want(200)
	d.wantLine(first, 0, "G-1 reserved")
	d.do("POST", d.at("tools/G-2/inspections"), d.keeper, row{"verdict": "good"}).want(409).wantProblem("not-allowed-now")
	d.sound()
}

func TestTooFewPartsAreIncomplete(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"tap-set", "T-1"})
	d.sql(`update tool_model set parts = 3`)
	d.out(nil, "T-1").want(201)
	returned := d.back(nil, row{"tool": "T-1", "parts": 2}).want(201)
	if returned.str("loans", 0, "condition_in") != "incomplete" || returned.str("quarantined", 0) != "T-1" {
		t.Errorf("returned %s", returned.body)
	}
	d.undo("returns", returned).want(200)
	if d.tally(`select count(*) from tool where state = 'in_service' and condition = 'good'`) != 1 {
		t.Error("the tool is not as it was before the return")
	}
	if seen := d.do("GET", d.at("tools/T-1/inspections"), d.keeper, nil).want(200); len(seen.get("items").([]any)) != 0 {
		t.Errorf("the inspection of an undone return is listed: %s", seen.body)
	}
	d.do("POST", d.at("tools/T-1/inspections"), d.keeper, row{"verdict": "good", "parts": 2}).want(422).wantFault("/verdict")
	d.sound()
}

func TestGuestsHaveNothingBeyondTheirStay(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	d.sql(`update member set host_id = $1, guest_last_day = $2::date, guest_until = $3 where number = 'T-member'`, d.club.OfficerID, d.hour(24), d.hour(24))
	made := d.out(row{"days": 9}, "R-1").want(201).wantTime(d.hour(24), "loans", 0, "period", "until")
	if len(made.get("shortened").([]any)) != 1 {
		t.Errorf("handed out %s", made.body)
	}
	d.do("POST", d.at("loans/"+made.str("loans", 0, "id")+"/extend"), d.keeper, row{"until": d.hour(30)}).want(422).wantFault("/until")
	d.clock.advance(24*time.Hour + 59*time.Minute)
	d.out(nil, "P-1").wantRefused("P-1", "guest_expired")
	d.clock.advance(48 * time.Hour)
	d.back(nil, row{"tool": "R-1"}).want(201)
	d.sound()
}

func TestKitGoesOutByItsCode(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"puller", "P-1"})
	d.sql(`insert into kit (club_id, id, code, name) values ($1, gen_random_uuid(), 'hinges', 'Hinge set')`, d.club.ClubID)
	d.sql(`insert into kit_part (club_id, kit_id, ordinal, tool_id) select club_id, id, 0, (select t.id from tool t where t.number = 'R-1') from kit`)
	d.sql(`insert into kit_part (club_id, kit_id, ordinal, model_id) select club_id, id, 1, (select m.id from tool_model m where m.code = 'gauge') from kit`)
	// Any gauge will do, so the request must say which, unless one is reserved with the kit.
	d.out(row{"kit": "hinges"}).want(422).wantFault("/tools")
	d.out(row{"kit": "hinges"}, "G-1", "G-2").want(422).wantFault("/tools/1/tool")
	d.out(row{"kit": "hinges"}, "P-1").want(422).wantFault("/tools/0/tool")
	part := d.out(row{"kit": "hinges"}, "G-2").want(201)
	if len(part.get("loans").([]any)) != 1 {
		t.Errorf("the part that was presented: %s", part.body)
	}
	d.undo("handouts", part).want(200)
	r := d.reserve(d.member, 2, 30, toolLine("R-1"), toolLine("G-2")).want(201)
	d.sql(`update booking set kit_id = (select id from kit) where reservation_id = $1`, r.str("id"))
	whole := d.out(row{"kit": "hinges"}).want(201)
	if len(whole.get("loans").([]any)) != 2 || whole.get("walk_in") != nil {
		t.Errorf("the kit as reserved: %s", whole.body)
	}
	d.wantLine(r, 0, "R-1 out")
	d.wantLine(r, 1, "G-2 out")
	d.sound()
}

func TestHandingOutOneOfSeveralChoicesDecides(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"reamer-10", "R-2"})
	r := d.reserve(d.member, 2, 30, toolLine("R-1"), toolLine("R-2")).want(201)
	d.sql(`update booking set choice = 1, decide_by = $2 where reservation_id = $1`, r.str("id"), d.hour(1))
	d.out(nil, "R-1", "R-2").wantRefused("R-2", "choice")
	made := d.out(nil, "R-2").want(201)
	if made.str("decided", 0) != "R-2" {
		t.Errorf("handed out %s", made.body)
	}
	d.wantLine(r, 0, "R-1 cancelled")
	d.wantLine(r, 1, "R-2 out")
	d.events(map[string]int{"reservation.decided": 1})
	d.reserve(d.officer, 2, 30, toolLine("R-1")).want(201)
	d.sound()
}
