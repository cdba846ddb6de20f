package api_test

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

func TestAContactHasDefaultsAndIsChangedByItsMember(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	me := w.do("GET", w.at("me"), w.as("member"), nil).want(200).str("member", "number")
	path := w.at("members/" + me + "/contact")
	usual := w.do("GET", path, w.as("member"), nil).want(200)
	if usual.get("mail_address") != nil || usual.num("hours_before") != 24 || usual.str("choices", "late") != "mail" || usual.get("quiet_hours") != nil {
		t.Errorf("the defaults are %s", usual.body)
	}
	tag := header{"If-Match", usual.header.Get("ETag")}
	changed := w.do("PATCH", path, w.as("member"), raw(`{"mail_address":"kim@hollow-lane.example","quiet_hours":{"from":"22:00","until":"07:00"},"choices":{"late":"event","moved":"none"}}`), tag).want(200)
	if changed.str("mail_address") != "kim@hollow-lane.example" || changed.str("choices", "late") != "event" || changed.str("choices", "moved") != "none" || changed.str("choices", "offer") != "mail" ||
		changed.str("quiet_hours", "until") != "07:00" || changed.num("hours_before") != 24 {
		t.Errorf("changed to %s", changed.body)
	}
	if read := w.do("GET", path, w.officer, nil).want(200); string(read.body) != string(changed.body) {
		t.Errorf("an officer reads %s\nthe member was answered %s", read.body, changed.body)
	}
	w.do("PATCH", path, w.as("member"), raw(`{"hours_before":12}`), tag).want(412).wantProblem("stale-version")
	w.do("PATCH", path, w.as("member"), raw(`{"hours_before":12}`)).want(428).wantProblem("precondition-required")
	whichever := header{"If-Match", "*"}
	w.do("PATCH", path, w.officer, raw(`{"quiet_hours":{"from":"23:30"},"choices":{"late":"mail"}}`), whichever).want(200)
	merged := w.do("GET", path, w.as("member"), nil).want(200)
	if merged.str("quiet_hours", "from") != "23:30" || merged.str("quiet_hours", "until") != "07:00" || merged.str("choices", "late") != "mail" || merged.str("choices", "moved") != "none" {
		t.Errorf("a patch of a part left %s", merged.body)
	}
	gone := w.do("PATCH", path, w.as("member"), raw(`{"mail_address":null,"quiet_hours":null}`), whichever).want(200)
	if gone.get("mail_address") != nil || gone.get("quiet_hours") != nil {
		t.Errorf("null left %s", gone.body)
	}
}

func TestContactRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	officer := w.at("members/" + w.club.OfficerID.String() + "/contact")
	whichever := header{"If-Match", "*"}
	w.do("GET", officer, w.as("member"), nil).want(403).wantProblem("missing-role")
	w.do("PATCH", officer, w.as("tool_keeper"), raw(`{"hours_before":12}`), whichever).want(403).wantProblem("missing-role")
	w.do("GET", w.at("members/nobody/contact"), w.officer, nil).want(404).wantProblem("not-found")
	for _, wrong := range []string{"kim", "kim@", "@garage.example", "Kim <kim@garage.example>", "kim@garage.example\\r\\nBcc: all@garage.example", "kim@-x.example", "a b@garage.example", "kim@garage..example", "k..m@garage.example", "kim@garage.example,rue@garage.example"} {
		w.do("PATCH", officer, w.officer, raw(`{"mail_address":"`+wrong+`"}`), whichever).want(422).wantFault("/mail_address")
	}
	w.do("PATCH", officer, w.officer, raw(`{"quiet_hours":{"from":"22:00"}}`), whichever).want(422).wantFault("/quiet_hours/until")
	w.do("PATCH", officer, w.officer, raw(`{"quiet_hours":{"from":"22:00","until":"22:00"}}`), whichever).want(422).wantFault("/quiet_hours/until")
	w.do("PATCH", officer, w.officer, raw(`{"choices":{"late":"phone"}}`), whichever).want(422).wantFault("/choices/late")
	w.do("PATCH", officer, w.officer, raw(`{"choices":{"birthdays":"mail"}}`), whichever).want(422)
	w.do("POST", w.at("members"), w.officer, row{"number": "goes", "name": "Member"}).want(201)
	w.do("POST", w.at("members/goes/erase"), w.officer, row{"reason": "left"}).want(200)
	gone := w.do("GET", w.at("members?limit=100"), w.officer, nil).want(200)
	for _, m := range gone.get("items").([]any) {
		if m := m.(map[string]any); m["erased"] == true {
			w.do("PATCH", w.at("members/"+m["id"].(string)+"/contact"), w.officer, raw(`{"hours_before":12}`), whichever).want(409).wantProblem("not-allowed-now")
		}
	}
}

func TestTheAddressGoesWithTheMember(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("members"), w.officer, row{"number": "goes", "name": "Member"}).want(201)
	w.do("PATCH", w.at("members/goes/contact"), w.officer, raw(`{"mail_address":"kim@hollow-lane.example"}`), header{"If-Match", "*"}).want(200)
	w.do("POST", w.at("members/goes/erase"), w.officer, row{"reason": "requested"}).want(200)
	var left int
	if err := w.db.Owner.QueryRow(t.Context(), `select (select count(*) from contact where mail_address is not null) + (select count(*) from answer where position('kim@hollow-lane'::bytea in body) > 0)`).Scan(&left); err != nil {
		t.Fatal(err)
	}
	if left != 0 {
		t.Errorf("the address stands in %d rows after its member was erased", left)
	}
}

func TestOwnRemindersAreListedNewestFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("POST", w.at("tools"), w.officer, row{"number": "M7", "model": "MIC", "garage": "north"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "M8", "model": "MIC", "garage": "north"}).want(201)
	keeper := w.as("tool_keeper")
	due := w.clock.now().AddDate(0, 0, 7).Format(time.DateOnly)
	for _, tool := range []string{"M7", "M8"} {
		w.do("POST", w.at("tools/"+tool+"/calibrations"), w.officer, row{"calibrated_on": "2025-02-01", "due_on": due, "expanded_uncertainty": "1 um"}).want(201)
		if n, err := reminder.SweepTools(t.Context(), &postgres.DB{Pool: w.db.App}, w.club.ClubID, w.clock.now()); err != nil || n != 1 {
			t.Fatalf("%d reminders, %v", n, err)
		}
	}
	first := w.do("GET", w.at("reminders?limit=1"), keeper, nil).want(200)
	if first.str("items", 0, "kind") != "calibration" || first.str("items", 0, "tools", 0) != "M8" || first.str("items", 0, "about") != "tool" || first.str("items", 0, "mail") != "unwanted" {
		t.Errorf("the newest is %s", first.body)
	}
	second := w.do("GET", w.at("reminders?limit=1&cursor="+first.str("next")), keeper, nil).want(200)
	if second.str("items", 0, "tools", 0) != "M7" {
		t.Errorf("the next is %s", second.body)
	}
	if others := w.do("GET", w.at("reminders"), w.as("member"), nil).want(200); len(others.get("items").([]any)) != 0 {
		t.Errorf("another member sees %s", others.body)
	}
	if _, err := uuid.Parse(first.str("items", 0, "about_id")); err != nil {
		t.Error(err)
	}
}
