package api_test

import (
	"strings"
	"testing"
	"time"
)

// opensAt lets all garages open at those hours of each day.
func (d *desk) opensAt(opens, closes string) {
	d.t.Helper()
	d.sql(`update garage set opens = $1::time, closes = $2::time`, opens, closes)
}

// lisbon is that hour of the day so many days after the desk's clock, by the clock
// at its garage.
func (d *desk) lisbon(days, hour, minute int) time.Time {
	d.t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		d.t.Fatal(err)
	}
	local := d.clock.now().In(zone)
	return time.Date(local.Year(), local.Month(), local.Day()+days, hour, minute, 0, 0, zone).UTC()
}

// atNoon moves the desk's clock on to the next noon of its garage.
func (d *desk) atNoon() {
	d.t.Helper()
	noon := d.lisbon(0, 12, 0)
	if noon.Before(d.clock.now()) {
		noon = d.lisbon(1, 12, 0)
	}
	d.clock.advance(noon.Sub(d.clock.now()))
}

func (r *response) wantTelling(parts ...string) *response {
	r.t.Helper()
	for _, part := range parts {
		if !strings.Contains(string(r.body), part) {
			r.t.Errorf("%s: says nothing of %q\n%s", r.what, part, r.body)
		}
	}
	return r
}

func TestWhatGoesOutEndsWhileTheGarageTakesItBack(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"}, [3]string{"press", "X-1"}, [3]string{"saw", "S-1"})
	d.opensAt("09:00", "18:00")
	d.atNoon()
	// A walk-in that was asked to end at night: refused with the nearest ends that there are.
	clock := func(at time.Time) string {
		return at.In(time.FixedZone("", 0)).Format("2006-01-02")
	}
	d.out(row{"until": d.lisbon(2, 23, 0)}, "R-1").wantRefused("R-1", "closed").
		wantTelling("takes nothing back", d.lisbon(2, 18, 0).In(zoneOf(t)).Format("2 Jan 2006 15:04"), d.lisbon(3, 9, 0).In(zoneOf(t)).Format("2 Jan 2006 15:04"))
	ahead := d.do("POST", d.at("reservations"), d.member, row{"lines": []row{toolLine("P-1")}, "period": row{"from": d.lisbon(20, 9, 0), "until": d.lisbon(20, 17, 0)}}).want(201)
	if want := "To be collected from " + d.lisbon(20, 9, 0).In(zoneOf(t)).Format("Mon 2 Jan 2006") + " 09:00 (Europe/Lisbon)."; !strings.Contains(ahead.str("summary"), want) {
		t.Errorf("the summary is %q, without %q", ahead.str("summary"), want)
	}
	made := d.out(row{"until": d.lisbon(2, 18, 0)}, "R-1").want(201).wantTime(d.lisbon(2, 18, 0), "loans", 0, "period", "until")
	loan := d.at("loans/" + made.str("loans", 0, "id"))

	// So many days: until it closes on that day or, if it is closed then, on the next.
	d.sql(`insert into closure (club_id, id, first_day, last_day, reason, member_id, recorded_at) select club_id, gen_random_uuid(), $1::date, $2::date, 'wedding', id, $3 from member where number = 'M1'`,
		clock(d.lisbon(4, 12, 0)), clock(d.lisbon(5, 12, 0)), d.clock.now())
	d.out(row{"days": 3}, "P-1").want(201).wantTime(d.lisbon(3, 18, 0), "loans", 0, "period", "until")
	d.out(row{"days": 4}, "X-1").want(201).wantTime(d.lisbon(6, 18, 0), "loans", 0, "period", "until")

	// A promise that begins as it opens: the evening before, not within the night.
	d.sql(`update tool_model set turnaround_hours = 3 where code = 'saw'`)
	d.do("POST", d.at("reservations"), d.officer, row{"lines": []row{toolLine("S-1")}, "period": row{"from": d.lisbon(2, 9, 0), "until": d.lisbon(2, 17, 0)}}).want(201)
	short := d.out(row{"days": 3}, "S-1").want(201).wantTime(d.lisbon(1, 18, 0), "loans", 0, "period", "until")
	if len(short.get("shortened").([]any)) != 1 {
		t.Errorf("shortened without saying so: %s", short.body)
	}

	// An extension is held to the same.
	d.do("POST", loan+"/extend", d.member, row{"until": d.lisbon(3, 8, 59)}).want(422).wantFault("/until").
		wantTelling("takes nothing back", d.lisbon(2, 18, 0).In(zoneOf(t)).Format("2 Jan 2006 15:04"), d.lisbon(3, 9, 0).In(zoneOf(t)).Format("2 Jan 2006 15:04"))
	d.do("POST", loan+"/extend", d.member, row{"until": d.lisbon(3, 9, 0)}).want(200).wantTime(d.lisbon(3, 9, 0), "period", "until")
	// What hurts others can last until the evening before, not until three hours before they come.
	d.do("POST", d.at("loans/"+short.str("loans", 0, "id")+"/extend"), d.member, row{"until": d.lisbon(2, 16, 0)}).want(409).wantProblem("would-hurt")
	d.sound()
}

func zoneOf(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func TestLateTheGarageStaysOpenUntilSoonAfterNobodyGetsALoanOfMinutes(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"saw", "S-1"})
	d.atNoon()
	d.opensAt("09:00", "12:30")
	d.sql(`update tool_model set turnaround_hours = 3 where code = 'saw'`)
	d.do("POST", d.at("reservations"), d.officer, row{"lines": []row{toolLine("S-1")}, "period": row{"from": d.lisbon(1, 9, 0), "until": d.lisbon(1, 11, 0)}}).want(201)
	d.out(row{"days": 3}, "S-1").wantRefused("S-1", "closed")
}

func TestInstrumentGoesOutAsLongAsItsCalibrationHoldsOrForAReason(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"micrometer", "M-1"}, [3]string{"reamer-9", "R-1"})
	d.atNoon()
	calibrated := func(due time.Time) {
		t.Helper()
		d.sql(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
			select t.club_id, gen_random_uuid(), t.id, '2026-01-01', $1::date, 1000, 2, m.id, $2 from tool t join member m using (club_id) where t.number = 'M-1' and m.number = 'M1'`, due.Format(time.DateOnly), d.clock.now())
	}
	// Reserved while it held, and found to hold for less.
	held := d.do("POST", d.at("reservations"), d.member, row{"lines": []row{toolLine("M-1")}, "period": row{"from": d.lisbon(0, 13, 0), "until": d.lisbon(4, 12, 0)}}).want(201)
	calibrated(d.lisbon(3, 12, 0))
	d.out(nil, "M-1").wantRefused("M-1", "calibration_due").wantTelling("holds until", d.lisbon(4, 0, 0).In(zoneOf(t)).Format("2 Jan 2006 15:04"), "despite_calibration")
	reason := "only to compare, not to decide"
	made := d.do("POST", d.at("handouts"), d.keeper, row{"member": d.number, "tools": []row{{"tool": "M-1", "despite_calibration": reason}}}).want(201)
	if made.str("loans", 0, "reservation_id") != held.str("id") || made.str("loans", 0, "despite_calibration") != reason {
		t.Errorf("handed out %s", made.body)
	}
	if seen := d.do("GET", d.at("loans/"+made.str("loans", 0, "id")), d.member, nil).want(200); seen.str("despite_calibration") != reason {
		t.Errorf("the loan tells no reason: %s", seen.body)
	}
	d.back(nil, row{"tool": "M-1"}).want(201)
	d.clock.advance(3 * time.Hour)

	// Walk-ins end when it does; an extension goes no further.
	short := d.out(row{"days": 9}, "M-1").want(201).wantTime(d.lisbon(4, 0, 0), "loans", 0, "period", "until").wantTelling("its calibration holds until then")
	if short.get("loans", 0, "despite_calibration") != nil {
		t.Errorf("a reason where none was needed: %s", short.body)
	}
	d.do("POST", d.at("loans/"+short.str("loans", 0, "id")+"/extend"), d.keeper, row{"until": d.lisbon(4, 0, 1)}).want(422).wantFault("/until").wantTelling("calibration")
	d.back(nil, row{"tool": "M-1"}).want(201)
	d.clock.advance(3 * time.Hour)

	// Run out: not at all without a reason. What is no instrument is not asked.
	d.clock.advance(4 * 24 * time.Hour)
	d.out(nil, "M-1", "R-1").wantRefused("M-1", "calibration_due")
	made = d.do("POST", d.at("handouts"), d.keeper, row{"member": d.number, "tools": []row{{"tool": "M-1", "despite_calibration": reason}, {"tool": "R-1", "despite_calibration": reason}}}).want(201)
	for i := range 2 {
		if got := made.get("loans", i, "despite_calibration"); (got == reason) != (made.str("loans", i, "tool_number") == "M-1") {
			t.Errorf("%s went out despite %v", made.str("loans", i, "tool_number"), got)
		}
	}
	// It may stay out for the reason for which it went.
	for i := range 2 {
		d.do("POST", d.at("loans/"+made.str("loans", i, "id")+"/extend"), d.member, row{"until": d.lisbon(8, 12, 0)}).want(200)
	}
	d.sound()
}

// The worked example: of two gauges in service one member has a quarter of ten
// days at most, which is 120 tool hours.
func TestFairShareCountsWhatALoanIsExtendedBy(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"})
	d.rules(map[string]any{"fair_share_percent": 25, "fair_share_days": 10, "fair_share_free_hours": 24})
	d.reserve(d.member, 100, 200, toolLine("G-1")).want(201)
	until := d.hour(200)
	d.clock.advance(d.hour(100).Sub(d.clock.now()))
	loan := d.at("loans/" + d.out(nil, "G-1").want(201).str("loans", 0, "id"))
	d.do("POST", loan+"/extend", d.member, row{"until": until.Add(21 * time.Hour)}).wantRule("fair_share", 120, 121)
	d.do("POST", loan+"/extend", d.member, row{"until": until.Add(20 * time.Hour)}).want(200)
	// By a keeper as by oneself: the rule is between members, whoever types.
	d.do("POST", loan+"/extend", d.keeper, row{"until": until.Add(22 * time.Hour)}).wantRule("fair_share", 120, 122)

	// What nobody had reserved does not count, however long it lasts.
	walk := d.at("loans/" + d.out(row{"until": d.hour(50)}, "G-2").want(201).str("loans", 0, "id"))
	d.do("POST", walk+"/extend", d.member, row{"until": d.hour(300)}).want(200)
	d.sound()
}
