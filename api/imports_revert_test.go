package api_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func (w *world) revert(token string, made *response) *response {
	w.t.Helper()
	return w.do("POST", w.at("imports/"+made.str("id")+"/revert"), token, row{"reason": "the wrong sheet"})
}

func TestAnImportIsTakenBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	before := w.count()
	made := w.bringAll("joints")
	for _, kind := range []string{"joints", "vehicles", "tools", "members"} {
		r := w.revert(w.officer, made[kind]).want(200)
		if r.str("reverted", "reason") != "the wrong sheet" || r.num("version") != 2 {
			t.Errorf("%s: %s", kind, r.body)
		}
		got := w.do("GET", w.at("imports/"+made[kind].str("id")), w.officer, nil).want(200)
		if diff := cmp.Diff(r.json(), got.json()); diff != "" {
			t.Errorf("%s is answered otherwise than kept:\n%s", kind, diff)
		}
		w.revert(w.officer, made[kind]).want(409).wantProblem("not-allowed-now")
	}
	after := w.count()
	for _, table := range []string{"import", "import_made", "event", "answer"} { // history
		delete(before, table)
		delete(after, table)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("something stayed (-before +after):\n%s", diff)
	}
	// Its numbers are free again.
	for kind, r := range w.bringAll("joints") {
		if r.num("created") != r.num("report", "rows_read") {
			t.Errorf("%s again: %s", kind, r.body)
		}
	}
}

func TestReadingsOfAnImportAreVoided(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	made := w.bringAll("readings")["readings"]
	first := made.str("report", "rows", 0, "id")
	w.do("POST", w.at("readings/"+first+"/void"), w.officer, row{"reason": "slipped"}).want(200)
	w.revert(w.officer, made).want(200)
	list := w.do("GET", w.at("readings"), w.officer, nil).want(200)
	for i := range list.get("items").([]any) {
		want := "import taken back: the wrong sheet"
		if list.str("items", i, "id") == first {
			want = "slipped" // it was out already, and its reason stays
		}
		if got := list.str("items", i, "void", "reason"); got != want {
			t.Errorf("%s: voided for %q, want %q", list.str("items", i, "id"), got, want)
		}
	}
	again := w.bring(w.officer, "readings", "", sheetFile(t, "readings")).want(201)
	if again.num("created") != 0 || !strings.Contains(again.str("report", "rows", 0, "note"), "voided") {
		t.Errorf("voided readings came in again: %s", again.body)
	}
}

// What somebody changed since, or what something rests on, stays, and all the
// rest with it; the refusal names the rows.
func TestWhatIsInUseIsNotTakenBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	made := w.bringAll("joints")
	held := func(kind string, want ...string) {
		t.Helper()
		before := w.count()
		r := w.revert(w.officer, made[kind]).want(409).wantProblem("import-in-use")
		var got []string
		for i := range r.get("held").([]any) {
			got = append(got, fmt.Sprint(r.num("held", i, "row"), " ", r.str("held", i, "text")))
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", kind, diff)
		}
		if diff := cmp.Diff(before, w.count()); diff != "" {
			t.Errorf("%s: something went:\n%s", kind, diff)
		}
	}
	held("members", "2 used by the vehicles of the club", "3 used by the vehicles of the club")
	held("vehicles", "2 used by the joints of the club", "3 used by the joints of the club")
	w.do("PATCH", w.at("tools/R-62"), w.officer, row{"note": "reground"}, header{"If-Match", "*"}).want(200)
	w.do("POST", w.at("tools"), w.officer, row{"number": "G-99", "model": "pin-9.490", "garage": "mews"}).want(201)
	w.do("POST", w.at("tools/C-61/calibrations"), w.officer, row{"calibrated_on": "2026-03-01", "expanded_uncertainty": "20 um"}).want(201)
	held("tools", "3 changed since it came in", "4 used by the tools of the club", "5 used by the calibrations of the club", "5 changed since it came in")
	w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "joint": "clutch-pedal", "value": "10 mm", "with": "bore_gauge"}).want(201)
	w.do("PATCH", w.at("joints/front-left-lower"), w.officer, row{"nominal": "9.1 mm"}, header{"If-Match", "*"}).want(200)
	held("joints", "3 changed since it came in", "4 used by the readings of the club")
}

func TestWhoMayTakeBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	members := w.bringAll("vehicles")["members"]
	own := w.bring(w.as("member"), "vehicles", "", "code,name\nmine,Mine\n").want(201)
	w.revert(w.as("member"), members).want(403).wantProblem("missing-role") // needs an officer to bring in
	w.revert(w.as("tool_keeper"), members).want(403).wantProblem("missing-role")
	theirs := w.bring(w.as("tool_keeper"), "vehicles", "", "code,name\nother,Other\n").want(201)
	w.revert(w.as("member"), theirs).want(403).wantProblem("missing-role")
	w.revert(w.as("member"), own).want(200)
	w.revert(w.officer, theirs).want(200)
}

// While some use what an import made, somebody takes it back: either is first,
// and the other is told so; nobody meets a fault.
func TestTakingBackRacesWithUse(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("vehicles")
	outcomes := map[string]int{}
	for round := range 12 {
		made := w.bring(w.officer, "joints", "", "vehicle,template,position\ntern,door-hinge,raced\ntern,door-hinge,beside\n").want(201)
		used := make([]*response, 3)
		var back *response
		var all sync.WaitGroup
		w.othersWrite()
		for i := range used {
			all.Go(func() {
				used[i] = w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "joint": "raced", "value": "9 mm", "with": "caliper"})
			})
		}
		all.Go(func() {
			time.Sleep(time.Duration(round%6) * 2 * time.Millisecond)
			back = w.revert(w.officer, made)
		})
		all.Wait()
		kept := 0
		for _, r := range used {
			switch r.status {
			case 201:
				kept++
			case 422:
				r.wantFault("/joint")
			default:
				t.Errorf("a reading was answered %d %s", r.status, r.body)
			}
		}
		switch {
		case back.status == 200 && kept == 0:
			outcomes["taken back"]++
		case back.status == 409 && kept > 0:
			outcomes["used"]++
			if _, err := w.db.Owner.Exec(t.Context(), `delete from reading; delete from import_made; delete from feature; delete from joint`); err != nil {
				t.Fatal(err)
			}
		default:
			t.Errorf("taking back was answered %d with %d readings kept: %s", back.status, kept, back.body)
		}
	}
	t.Log(outcomes)
}
