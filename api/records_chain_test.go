package api_test

import (
	"fmt"
	"strings"
	"testing"
)

// However many repairs of one vehicle are signed off at once, their records make one line: each
// behind the one before, none beside another.
func TestRecordsOfRepairsSignedAtOnceMakeOneChain(t *testing.T) {
	t.Parallel()
	const repairs = 16
	w := newWorld(t).patient()
	var positions []string
	for i := range repairs {
		positions = append(positions, fmt.Sprintf("p%d", i))
	}
	wagon(w, positions...)
	micrometer(w)
	short(w)
	for i, p := range positions {
		repairOf(w, "short", p).want(201)
		leftOut(w, fmt.Sprintf("R%d", i+1))
	}
	member := w.as("member")
	count, answers := race(2*repairs, func(i int) *response { // each twice, as phones do
		return w.do("POST", w.at(fmt.Sprintf("repairs/R%d/sign-off", i%repairs+1)), member, row{})
	})
	if count[200] != 2*repairs {
		for _, a := range answers {
			if a.status != 200 {
				t.Errorf("%d %s", a.status, a.body)
			}
		}
		t.Fatalf("answers %v", count)
	}
	list := w.do("GET", w.at("vehicles/wrenfield/records?limit=100"), w.as("auditor"), nil).want(200)
	previous := ""
	for i := range list.get("items").([]any) {
		if list.num("items", i, "place") != float64(i+1) || i > 0 && list.str("items", i, "previous") != previous {
			t.Errorf("record %d of the chain: %v", i+1, list.get("items", i))
		}
		previous = list.str("items", i, "hash")
		if stands := w.do("GET", "/v1/records/"+previous, "", nil).want(200); stands.get("valid") != true || stands.num("newest") != repairs {
			t.Errorf("record %d: %s", i+1, stands.body)
		}
	}
	if n := len(list.get("items").([]any)); n != repairs {
		t.Errorf("%d records of %d repairs", n, repairs)
	}
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'record.made'`); n != fmt.Sprint(repairs) {
		t.Errorf("%s events of records", n)
	}
	if n := w.db.Deadlocks(t); n > 0 {
		t.Errorf("writers waited in a circle %d times", n)
	}
}

// A record tells the newest readings up to its bound, and says how many older ones it leaves out.
func TestARecordSaysWhenReadingsAreLeftOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	micrometer(w)
	short(w)
	repairOf(w, "short", "upper").want(201)
	sized(w, "upper", "8.121 mm")
	full := w.recordAs("R1", "application/json").want(200)
	if full.get("content", "readings_left_out") != nil {
		t.Errorf("with one reading: %s", full.body)
	}
	if _, err := w.db.Owner.Exec(t.Context(), `insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
		select d.club_id, gen_random_uuid(), d.feature_id, 'measured', 8000000 + k, 8, 'mm', d.stage, d.surface, d.taken_at - k * interval '1 minute', d.received_at, d.member_id, sha256(k::text::bytea)
		from reading d, generate_series(1, 2006) k`); err != nil {
		t.Fatal(err)
	}
	r := w.recordAs("R1", "application/json").want(200)
	if r.str("state") != "draft" || r.num("content", "readings_left_out") != 7 || len(r.get("content", "readings").([]any)) != 2000 || r.num("content", "readings", 1999, "size_nm") != 8121000 {
		t.Errorf("left out %v of them, the newest %v", r.get("content", "readings_left_out"), r.get("content", "readings", 1999))
	}
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	for accept, words := range map[string]string{"text/html": "7 older ones do not", "text/plain": "7 older ones do not", "application/json": `"readings_left_out":7`} {
		if r := w.recordAs("R1", accept).want(200); !strings.Contains(string(r.body), words) {
			t.Errorf("as %s it does not say %q", accept, words)
		}
	}
}
