package api_test

import (
	"strings"
	"testing"

	"pinwright/internal/postgres"
	"pinwright/internal/waiting"
)

// neverCloses lets all garages be open at any hour, for tests of what is free.
func (w *world) neverCloses() {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), `update garage set opens = '00:00', closes = '24:00'`); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) sweepWaiting() {
	w.t.Helper()
	if _, err := waiting.Sweep(w.t.Context(), &postgres.DB{Pool: w.db.App}, w.club.ClubID, w.clock.now()); err != nil {
		w.t.Fatal(err)
	}
}

// waitFor asks for tools from an hour on until another.
func (w *world) waitFor(from, until, hours int, l ...map[string]any) map[string]any {
	return map[string]any{"lines": l, "window": w.period(from, until), "hours": hours}
}

func TestWaitingUntilAToolIsOffered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	w.neverCloses()
	member, keeper := w.as("member"), w.as("tool_keeper")
	taken := w.reserve(w.officer, 0, 100, toolLine("R-1")).want(201)

	mine := w.do("POST", w.at("waiting-list"), member, w.waitFor(10, 90, 24, toolLine("R-1"))).want(201)
	entry := mine.header.Get("Location")
	if mine.str("state") != "waiting" || mine.str("lines", 0, "label") != "R-1" || mine.num("hours") != 24 {
		t.Errorf("joined: %s", mine.body)
	}
	second := w.do("POST", w.at("waiting-list"), keeper, with(w.waitFor(10, 90, 24, modelLine("reamer-9")), map[string]any{"member": "T-tool_keeper"})).want(201).header.Get("Location")
	if seen := w.do("GET", entry, member, nil).want(200); seen.num("place", "position") != 1 || seen.get("place", "ahead", 0) != nil {
		t.Errorf("the first in line: %s", seen.body)
	}
	seen := w.do("GET", second, w.officer, nil).want(200)
	if seen.num("place", "position") != 2 || seen.str("place", "ahead", 0, "reason") != "joined_before" || !strings.Contains(seen.str("summary"), "Place 2 in line.") {
		t.Errorf("the second in line: %s", seen.body)
	}

	// Nobody sees other people's entries but who keeps the tools.
	w.do("GET", second, member, nil).want(404).wantProblem("not-found")
	w.do("POST", second+"/leave", member, nil).want(404).wantProblem("not-found")
	for token, want := range map[string]int{member: 1, w.as("treasurer"): 0, keeper: 2, w.as("auditor"): 2} {
		list, _ := w.do("GET", w.at("waiting-list?state=waiting"), token, nil).want(200).get("items").([]any)
		if len(list) != want {
			t.Errorf("%d entries are listed, want %d", len(list), want)
		}
	}
	for query, want := range map[string]int{"tool=R-1": 1, "tool_model=reamer-9": 1, "member=T-member": 1, "state=offered": 0} {
		list, _ := w.do("GET", w.at("waiting-list?"+query), w.officer, nil).want(200).get("items").([]any)
		if len(list) != want {
			t.Errorf("?%s lists %d entries, want %d", query, len(list), want)
		}
	}
	w.do("GET", w.at("waiting-list?tool=R-9"), member, nil).want(422).wantFault("?tool")
	w.do("GET", w.at("waiting-list?tool_model=none"), member, nil).want(422).wantFault("?tool_model")
	w.do("GET", w.at("waiting-list?member=none"), member, nil).want(422).wantFault("?member")
	w.do("POST", w.at("waiting-list"), member, with(w.waitFor(10, 90, 24, toolLine("R-1")), map[string]any{"member": "T-tool_keeper"})).want(403).wantProblem("missing-role")
	w.do("POST", w.at("waiting-list"), keeper, with(w.waitFor(10, 90, 24, toolLine("R-1")), map[string]any{"member": "none"})).want(422).wantFault("/member")
	w.do("POST", w.at("waiting-list"), member, w.waitFor(10, 90, 24, toolLine("R-9"))).want(422).wantFault("/lines/0/tool")
	w.do("POST", w.at("waiting-list"), member, w.waitFor(10, 20, 24, toolLine("R-1"))).want(422).wantFault("/window/until")
	w.do("POST", w.at("waiting-list"), member, map[string]any{"lines": lines(toolLine("R-1")), "window": w.period(10, 20)}).want(422).wantFault("/hours")
	w.do("POST", w.at("waiting-list"), member, map[string]any{"lines": lines(map[string]any{}), "hours": 2, "window": w.period(10, 20)}).want(422).wantFault("/lines/0")

	w.sweepWaiting()
	if seen := w.do("GET", entry, member, nil).want(200); seen.str("hindrance", "code") != "tool-taken" || !strings.Contains(seen.str("summary"), "When it was last tried: ") {
		t.Errorf("nothing is free: %s", seen.body)
	}
	w.do("POST", entry+"/accept", member, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", taken.header.Get("Location")+"/cancel", w.officer, nil).want(200)
	w.sweepWaiting()
	offered := w.do("GET", entry, member, nil).want(200)
	offered.wantTime(w.hour(10), "offer", "period", "from").wantTime(w.hour(34), "offer", "period", "until").wantTime(w.hour(10), "offer", "until")
	if offered.str("state") != "offered" || !strings.Contains(offered.str("summary"), "accept or decline by") {
		t.Errorf("offered: %s", offered.body)
	}
	reservation := w.at("reservations/" + offered.str("offer", "reservation_id"))
	w.do("GET", reservation, w.officer, nil).want(200).wantTools("R-1")
	w.reserve(w.officer, 12, 20, toolLine("R-1")).want(409).wantProblem("tool-taken") // the offer holds it
	if got := w.do("POST", entry+"/accept", member, nil).want(200); got.str("state") != "taken" || got.str("offer", "outcome") != "accepted" {
		t.Errorf("accepted: %s", got.body)
	}
	w.do("POST", entry+"/accept", member, nil).want(409).wantProblem("not-allowed-now")

	w.do("GET", second, keeper, nil).want(200).wantTime(w.hour(36), "offer", "period", "from")
	if got := w.do("POST", second+"/decline", keeper, map[string]any{"keep_waiting": true}).want(200); got.str("state") != "waiting" || got.str("offer", "outcome") != "declined" {
		t.Errorf("declined: %s", got.body)
	}
	w.sweepWaiting()
	w.do("GET", second, keeper, nil).want(200).wantTime(w.hour(60), "offer", "period", "from") // not what was declined, nor what overlaps it
	if got := w.do("POST", second+"/leave", keeper, nil).want(200); got.str("state") != "left" {
		t.Errorf("left: %s", got.body)
	}
	w.do("POST", second+"/leave", keeper, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", second+"/decline", keeper, nil).want(409).wantProblem("not-allowed-now")
	w.reserve(w.officer, 60, 80, toolLine("R-1")).want(201)
}

func TestTenEntriesMayBeOpenAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	answers := make(chan int, 14)
	member := w.as("member")
	for range cap(answers) {
		go func() {
			answers <- w.do("POST", w.at("waiting-list"), member, w.waitFor(10, 90, 24, toolLine("R-1"))).status
		}()
	}
	got := map[int]int{}
	for range cap(answers) {
		got[<-answers]++
	}
	if got[201] != 10 || got[409] != 4 {
		t.Errorf("fourteen entries at once were answered %v, want ten made", got)
	}
}
