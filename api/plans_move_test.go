package api_test

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"
)

// moves asks for a plan's tools with that body.
func moves(w *world, body row) *response {
	w.t.Helper()
	return w.do("POST", w.at("repairs/R1/plans/newest/reservations"), w.as("member"), body)
}

// reservedFor are the lines that are reserved for the repair's plans, as the database has them.
func (w *world) reservedFor() string {
	w.t.Helper()
	return w.of(`select coalesce(string_agg(b.reservation_id::text || ' ' || b.line || ' ' || t.number || ' ' || b.period::text || ' ' || b.state, E'\n' order by b.reservation_id, b.line), '')
		from workplan_reservation x join booking b using (club_id, reservation_id) join tool t on t.club_id = b.club_id and t.id = b.tool_id where x.club_id = $1`)
}

// lateParcel is a plan whose tools are reserved, and then planned anew for a parcel that comes two
// weeks later.
func lateParcel(t *testing.T) (*world, *response) {
	t.Helper()
	w := wagonInWork(t)
	plan(w, row{"free": weekend, "lead_days": 9}).want(201)
	moves(w, row{}).want(200)
	return w, plan(w, row{"lead_days": 23}).want(201)
}

// What is reserved for another time than the new plan needs moves in one request, and what no step
// needs goes only when it is named.
func TestWhatIsReservedFollowsAReplanInOneRequest(t *testing.T) {
	t.Parallel()
	w, _ := lateParcel(t)
	late := plan(w, row{"at_hand": []string{"reamer"}}).want(201)
	states := func(r *response) map[string]int {
		out := map[string]int{}
		for _, state := range []string{"to_make", "kept", "to_move", "not_needed"} {
			out[state] = howMany(r.get("reservations"), "state", state)
		}
		return out
	}
	if s := states(late); s["to_move"] < 2 || s["not_needed"] != 1 || s["to_make"] != 0 || !strings.Contains(string(late.body), `\"move\": true`) {
		t.Fatalf("planned anew %v: %s", s, late.body)
	}
	before := w.reservedFor()
	// Asked without a word of it, all is left alone.
	left := moves(w, row{}).want(200)
	if w.reservedFor() != before || left.get("reservation") != nil || left.get("changed") != nil || left.str("digest") != late.str("digest") {
		t.Errorf("asked without move: %s", left.body)
	}
	reamer := by("tool_model", late.get("reservations"))["ream-8125"]
	line := func(l map[string]any) row { return row{"reservation_id": l["reservation_id"], "line": l["line"]} }
	press := by("tool_model", late.get("reservations"))["press-2"]
	moves(w, row{"give_up": []row{line(press), line(reamer), line(reamer), {"reservation_id": newID(), "line": 0}}}).want(422).wantFault("/give_up/0").wantFault("/give_up/2").wantFault("/give_up/3")
	moves(w, row{"move": true, "digest": "0123456789abcdef"}).want(409).wantProblem("not-allowed-now")
	// One tool of several is taken: none moves.
	block := w.do("POST", w.at("reservations"), w.officer, row{"lines": []row{{"tool": "PRESS-2", "period": press["period"]}}}).want(201)
	if r := moves(w, row{"move": true}).want(409).wantProblem("tool-taken"); !strings.Contains(r.str("detail"), "PRESS-2") || late.str("reservations", int(r.num("taken", 0, "line")), "tool_model") != "press-2" {
		t.Errorf("%s", r.body)
	}
	if w.reservedFor() != before {
		t.Errorf("a refused move left\n%s\ninstead of\n%s", w.reservedFor(), before)
	}
	w.do("POST", w.at("reservations/"+block.str("id")+"/cancel"), w.officer, nil).want(200)
	// Another member's lines are theirs to move.
	w.do("POST", w.at("repairs/R1/plans/newest/reservations"), w.as("tool_keeper"), row{"move": true}).want(403).wantProblem("missing-role")

	key := header{"Idempotency-Key", newID()}
	body := row{"move": true, "digest": late.str("digest"), "give_up": []row{line(reamer)}}
	at := w.at("repairs/R1/plans/newest/reservations")
	done := w.do("POST", at, w.as("member"), body, key).want(200)
	if s := states(done); s["kept"] != 6 || len(done.get("reservations").([]any)) != 6 || done.get("reservation") != nil || len(done.get("changed").([]any)) != 1 ||
		!strings.Contains(done.str("summary"), "moved to when they are needed; 1 that no step needs") {
		t.Errorf("moved: %s", done.body)
	}
	if again := w.do("POST", at, w.as("member"), body, key).want(200); string(again.body) != string(done.body) {
		t.Errorf("the same request again: %s", again.body)
	}
	got := w.do("GET", w.at("repairs/R1/plans/newest"), w.officer, nil).want(200)
	if w.mustHold(got, onWeekends); got.str("digest") != done.str("digest") || states(got)["kept"] != 6 {
		t.Errorf("the plan then: %s", got.body)
	}
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.changed'`); n != "1" {
		t.Errorf("%s events of changes", n)
	}
	// Needed again, it is booked beside what is kept; what is not needed at all ends its reservation.
	plan(w, row{"at_hand": []string{}}).want(201)
	more := moves(w, row{"move": true}).want(200)
	if s := states(more); s["kept"] != 7 || len(more.get("reservation", "lines").([]any)) != 1 {
		t.Errorf("needed again: %s", more.body)
	}
	if free := plan(w, row{"at_hand": []string{"reamer"}}).want(201); states(free)["not_needed"] != 1 {
		t.Errorf("at hand again: %s", free.body)
	}
	gone := moves(w, row{"give_up": []row{{"reservation_id": more.str("reservation", "id"), "line": 0}}}).want(200)
	if gone.str("changed", 0, "state") != "cancelled" || states(gone)["not_needed"] != 0 {
		t.Errorf("given up: %s", gone.body)
	}
}

// A line moves to where another reservation's line of the same tool was, which moves on: neither
// could be had one after the other in the order of their reservations.
func TestALineTakesThePlaceOfAnotherReservationsLine(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	made := plan(w, row{"free": weekend}).want(201)
	gauges := func(r *response) (out []map[string]any) {
		for _, l := range r.get("reservations").([]any) {
			if line := l.(map[string]any); line["tool_model"] == "gauges-8" {
				out = append(out, line)
			}
		}
		return out
	}
	uses := gauges(made)
	if len(uses) != 2 {
		t.Fatalf("%d uses of the gauge: %s", len(uses), made.body)
	}
	alone := w.do("POST", w.at("reservations"), w.as("member"), row{"lines": []row{{"tool_model": "gauges-8", "period": uses[0]["period"]}}}).want(201)
	if _, err := w.db.Owner.Exec(t.Context(), `insert into workplan_reservation (club_id, workplan_id, reservation_id) values ($1, $2, $3)`, w.club.ClubID, made.str("id"), alone.str("id")); err != nil {
		t.Fatal(err)
	}
	if both := moves(w, row{}).want(200); howMany(both.get("reservations"), "state", "kept") != 7 || len(both.get("reservation", "lines").([]any)) != 6 {
		t.Fatalf("reserved beside it: %s", both.body)
	}
	apart := moment(t, uses[1]["needed"].(map[string]any)["from"]).Sub(moment(t, uses[0]["needed"].(map[string]any)["from"])).Truncate(7 * 24 * time.Hour)
	later := plan(w, row{"start": made.time("begins_at").Add(apart)}).want(201)
	if to := gauges(later); to[0]["state"] != "to_move" || to[1]["state"] != "to_move" || !moment(t, to[0]["period"].(map[string]any)["from"]).Before(moment(t, uses[1]["period"].(map[string]any)["until"])) {
		t.Fatalf("later by %v: %s", apart, later.body)
	}
	done := moves(w, row{"move": true}).want(200)
	if w.mustHold(w.do("GET", w.at("repairs/R1/plans/newest"), w.officer, nil).want(200), onWeekends); howMany(done.get("reservations"), "state", "kept") != 7 || len(done.get("changed").([]any)) != 2 {
		t.Errorf("moved: %s", done.body)
	}
	w.wantNothingPromisedTwice()
}

// Many clients move what is reserved, change single lines and book the same tools at once: every
// answer is whole or a refusal, no line of the plan is lost, nothing is promised twice, and of those
// who looked at the same state one at most has moved it.
func TestMovesAndChangesAtOnceLoseNoLine(t *testing.T) {
	t.Parallel()
	w, _ := lateParcel(t)
	w.patient()
	for round, lead := range []int{23, 9, 30, 16} {
		late := plan(w, row{"lead_days": lead}).want(201)
		var toMove []map[string]any
		for _, l := range late.get("reservations").([]any) {
			if line := l.(map[string]any); line["state"] == "to_move" {
				toMove = append(toMove, line)
			}
		}
		if len(toMove) == 0 {
			t.Fatalf("round %d moves nothing: %s", round, late.body)
		}
		before := strings.Count(w.reservedFor(), "reserved")
		seen, _ := strconv.Atoi(w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.changed'`))
		_, answers := race(12, func(i int) *response {
			line := toMove[i%len(toMove)]
			at := moment(t, line["reserved"].(map[string]any)["from"]).AddDate(0, 0, 70+i)
			switch i % 3 {
			case 0:
				return moves(w, row{"move": true, "digest": late.str("digest")})
			case 1:
				return w.do("POST", w.at("reservations/"+line["reservation_id"].(string)+"/change"), w.as("member"), row{"lines": []row{{"line": line["line"], "period": row{"from": at, "until": at.Add(2 * time.Hour)}}}})
			default:
				return w.do("POST", w.at("reservations"), w.officer, row{"lines": []row{{"tool_model": line["tool_model"], "period": line["period"]}}})
			}
		})
		moved, changed := 0, 0
		for i, a := range answers {
			switch {
			case a.status == 200 && i%3 == 0:
				moved++
				if n := howMany(a.get("reservations"), "state", "to_move"); n != 0 {
					t.Errorf("a move that left %d lines behind: %s", n, a.body)
				}
			case a.status == 200 && i%3 == 1:
				changed++
			case a.status == 201 && i%3 == 2:
			case a.status == 409:
			default:
				t.Errorf("round %d, client %d: %d %s", round, i, a.status, a.body)
			}
		}
		if moved > 1 {
			t.Errorf("%d clients moved what one of them had moved already", moved)
		}
		if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.changed'`); n != fmt.Sprint(seen+moved+changed) {
			t.Errorf("%s events of changes, %d before, %d moved, %d changed", n, seen, moved, changed)
		}
		if after := strings.Count(w.reservedFor(), "reserved"); after != before {
			t.Errorf("%d lines are reserved for the repair, %d were", after, before)
		}
		w.wantNoOverlap()
		// What is in the way goes, and all follows the plan after all.
		for _, r := range answers {
			if r.status == 201 {
				w.do("POST", w.at("reservations/"+r.str("id")+"/cancel"), w.officer, nil).want(200)
			}
		}
		if last := moves(w, row{"move": true}).want(200); howMany(last.get("reservations"), "state", "kept") != 7 {
			t.Errorf("round %d ends with %s", round, last.body)
		}
	}
}
