package api_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// takeIn takes a document into a club.
func (w *world) takeIn(slug, token string, doc []byte, query string) *response {
	w.t.Helper()
	return w.do("POST", "/v1/clubs/"+slug+"/history-imports"+query, token, raw(doc))
}

// giveOut fetches the wagon's history from a club.
func (w *world) giveOut(slug, token string) *response {
	w.t.Helper()
	w.do("POST", "/v1/clubs/"+slug+"/vehicles/wrenfield/history-consents", token, row{"note": "In the binder"}).want(201)
	return w.do("GET", "/v1/clubs/"+slug+"/vehicles/wrenfield/history", token, nil).want(200)
}

// asRead are a club's readings without what is a club's own of them.
func (w *world) asRead(slug, token string) string {
	w.t.Helper()
	items := w.do("GET", "/v1/clubs/"+slug+"/readings?vehicle=wrenfield&limit=200", token, nil).want(200).get("items").([]any)
	for _, i := range items {
		one := i.(map[string]any)
		for _, own := range []string{"member_id", "received_at", "instrument_id", "origin"} {
			delete(one, own)
		}
		if void, is := one["void"].(map[string]any); is {
			delete(void, "reason")
		}
	}
	text, err := json.MarshalIndent(items, "", " ")
	if err != nil {
		w.t.Fatal(err)
	}
	return string(text)
}

func TestHistoryGoesIntoAnotherClubAndComesOutTheSame(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	doc := w.history()
	other := w.found("elder-green")
	elsewhere := newWorld(t)
	elsewhere.clock.advance(w.clock.now().Sub(elsewhere.clock.now()))
	for _, to := range []struct {
		w           *world
		slug, token string
	}{{w, "elder-green", other.Secret.Reveal()}, {elsewhere, "hollow-lane", elsewhere.officer}} {
		in := to.w.takeIn(to.slug, to.token, doc.body, "").want(201)
		want := map[string]any{"joints": 1.0, "readings": 6.0, "voids": 2.0, "wear_events": 2.0, "distances": 1.0, "photos": 1.0, "records": 2.0}
		if diff := cmp.Diff(want, in.get("report", "taken")); diff != "" || in.num("report", "left_out_count") != 0 || in.get("already") != false {
			t.Errorf("taken (-want +got):\n%s\n%s", diff, in.body)
		}
		if again := to.w.do("GET", in.header.Get("Location"), to.token, nil).want(200); string(again.body) != string(in.body) {
			t.Errorf("kept as\n%s\nand answered as\n%s", again.body, in.body)
		}
		// What the other club works with is what was read, driven and done.
		if diff := cmp.Diff(w.asRead("hollow-lane", w.officer), to.w.asRead(to.slug, to.token)); diff != "" {
			t.Errorf("readings (-there +here):\n%s", diff)
		}
		first := to.w.do("GET", "/v1/clubs/"+to.slug+"/readings?vehicle=wrenfield&limit=1", to.token, nil).want(200)
		if first.str("items", 0, "origin", "club_id") != w.club.ClubID.String() || !strings.Contains(first.str("items", 0, "origin", "text"), "another club") {
			t.Errorf("a reading does not say where it came from: %s", first.body)
		}
		records := to.w.do("GET", "/v1/clubs/"+to.slug+"/vehicles/wrenfield/records", to.token, nil).want(200)
		if len(records.get("items").([]any)) != 2 || records.str("items", 0, "origin", "club_id") != w.club.ClubID.String() || records.str("items", 1, "previous") != records.str("items", 0, "hash") {
			t.Errorf("records: %s", records.body)
		}
		// Given out again, it is the same; taken in again, nothing is there twice.
		out := to.w.giveOut(to.slug, to.token)
		for _, part := range []string{"content", "digests", "hash"} {
			if diff := cmp.Diff(doc.get(part), out.get(part)); diff != "" {
				t.Errorf("given out again, %s differs (-first +again):\n%s", part, diff)
			}
		}
		for _, text := range [][]byte{doc.body, out.body} {
			if again := to.w.takeIn(to.slug, to.token, text, "").want(200); again.get("already") != true || again.str("id") != in.str("id") {
				t.Errorf("taken in again: %s", again.body)
			}
		}
		if diff := cmp.Diff(w.asRead("hollow-lane", w.officer), to.w.asRead(to.slug, to.token)); diff != "" {
			t.Errorf("after taking it in twice (-there +here):\n%s", diff)
		}
	}
	// Back where it came from everything is there.
	back := w.takeIn("hollow-lane", w.officer, w.giveOut("elder-green", other.Secret.Reveal()).body, "").want(201)
	if back.num("report", "there", "readings") != 6 || back.num("report", "taken", "readings")+back.num("report", "taken", "records")+back.num("report", "left_out_count") != 0 {
		t.Errorf("back home: %s", back.body)
	}
}

func TestLaterHistoryAddsOnlyWhatIsNew(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	other := w.found("elder-green")
	token := other.Secret.Reveal()
	w.takeIn("elder-green", token, w.history().body, "").want(201)
	// Both clubs go on with the car.
	w.do("PATCH", "/v1/clubs/elder-green/vehicles/wrenfield", token, row{"name": "Ours now"}, header{"If-Match", "*"}).want(200)
	there := w.do("POST", "/v1/clubs/elder-green/readings", token, row{"id": newID(), "vehicle": "wrenfield", "joint": "upper", "gauge": "0.32 in", "result": "no_go"}).want(201)
	sized(w, "upper", "8.21 mm")
	old := w.do("GET", w.at("readings?vehicle=wrenfield&limit=50"), w.officer, nil).want(200)
	w.do("POST", w.at("readings/"+old.str("items", 1, "id")+"/void"), w.officer, row{"reason": "Sallow slipped again"}).want(200)
	w.do("PATCH", w.at("vehicles/wrenfield"), w.officer, row{"name": "Renamed"}, header{"If-Match", "*"}).want(200)
	in := w.takeIn("elder-green", token, w.history().body, "").want(201)
	if in.num("report", "taken", "readings") != 1 || in.num("report", "taken", "voids") != 1 || in.num("report", "there", "readings") != 6 || in.num("report", "taken", "records") != 0 {
		t.Errorf("of the later one: %s", in.body)
	}
	if in.num("report", "left_out_count") != 1 || in.str("report", "left_out", 0, "at") != "/content/vehicle" {
		t.Errorf("what was edited here is not told: %s", in.body)
	}
	if v := w.do("GET", "/v1/clubs/elder-green/vehicles/wrenfield", token, nil).want(200); v.str("name") != "Ours now" {
		t.Errorf("the vehicle was overwritten: %s", v.body)
	}
	// Passed on, it tells of both clubs, each with what is its own.
	onward := w.giveOut("elder-green", token)
	origins := map[string]int{}
	for _, r := range onward.get("content", "readings").([]any) {
		origins[r.(map[string]any)["origin"].(string)]++
	}
	if diff := cmp.Diff(map[string]int{w.club.ClubID.String(): 7, other.ClubID.String(): 1}, origins); diff != "" {
		t.Errorf("readings by origin:\n%s", diff)
	}
	// And the first club learns what the other one read.
	home := w.takeIn("hollow-lane", w.officer, onward.body, "").want(201)
	if home.num("report", "taken", "readings") != 1 {
		t.Errorf("home again: %s", home.body)
	}
	if got := w.do("GET", w.at("readings/"+there.str("id")), w.officer, nil).want(200); got.str("origin", "club_id") != other.ClubID.String() {
		t.Errorf("it says %s", got.body)
	}
}

func TestChangedHistoryIsRefusedAtTheFirstPlace(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	doc := w.history()
	token := w.found("elder-green").Secret.Reveal()
	for _, row := range []struct {
		name, at string
		change   func(d map[string]any)
	}{
		{"a size", "/content/readings/3", func(d map[string]any) { rowOf(d, "readings", 3)["size_nm"] = 8.1e6 }},
		{"two of them, from behind", "/content/readings/1", func(d map[string]any) {
			rowOf(d, "readings", 4)["surface"], rowOf(d, "readings", 1)["surface"] = "pitted", "scored"
		}},
		{"the vehicle", "/content/vehicle", func(d map[string]any) { d["content"].(map[string]any)["vehicle"].(map[string]any)["name"] = "Other" }},
		{"a reading taken out", "/content/readings/2", func(d map[string]any) { drop(d["content"], "readings", 2) }},
		{"the last one taken out", "/digests/readings/5", func(d map[string]any) { drop(d["content"], "readings", 5) }},
		{"a reading taken out with its digest", "/hash", func(d map[string]any) { drop(d["content"], "readings", 2); drop(d["digests"], "readings", 2) }},
		{"an event added", "/content/wear_events/2", func(d map[string]any) {
			c := d["content"].(map[string]any)
			c["wear_events"] = append(c["wear_events"].([]any), c["wear_events"].([]any)[0])
		}},
		{"a digest", "/content/distances/0", func(d map[string]any) {
			d["digests"].(map[string]any)["distances"] = []any{strings.Repeat("0", 64)}
		}},
		{"a record", "/content/records/1", func(d map[string]any) {
			r := rowOf(d, "records", 1)
			r["content"] = strings.Replace(r["content"].(string), "8200000", "8100000", 1)
		}},
		{"the hash", "/hash", func(d map[string]any) { d["hash"] = strings.Repeat("0", 64) }},
		{"a form that is not known", "/schema", func(d map[string]any) { d["schema"] = "pinwright-history/2" }},
		{"something more", "/content/readings/0/member", func(d map[string]any) { rowOf(d, "readings", 0)["member"] = "Kim Sallow" }},
	} {
		var d map[string]any
		if err := json.Unmarshal(doc.body, &d); err != nil {
			t.Fatal(err)
		}
		row.change(d)
		text, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		if p := w.takeIn("elder-green", token, text, "").want(422); p.str("errors", 0, "pointer") != row.at {
			t.Errorf("%s: refused at %s, want %s", row.name, p.body, row.at)
		}
	}
	w.takeIn("elder-green", token, []byte(`{"schema":`), "").want(400)
	w.takeIn("elder-green", token, []byte(strings.Repeat(" ", 16<<20+1)), "").want(413)
	if v := w.do("GET", "/v1/clubs/elder-green/vehicles", token, nil).want(200); len(v.get("items").([]any)) != 0 {
		t.Errorf("something was left: %s", v.body)
	}
}

func rowOf(d map[string]any, section string, i int) map[string]any {
	return d["content"].(map[string]any)[section].([]any)[i].(map[string]any)
}

func drop(of any, section string, i int) {
	all := of.(map[string]any)
	rows := all[section].([]any)
	all[section] = append(append([]any{}, rows[:i]...), rows[i+1:]...)
}

func TestWhoMayTakeAHistoryInAndWhatTheyAreTold(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	doc := w.history().body
	other := w.found("elder-green")
	token := other.Secret.Reveal()
	w.takeIn("hollow-lane", w.as("member"), doc, "").want(403)
	w.takeIn("hollow-lane", w.as("treasurer"), doc, "").want(403)
	w.takeIn("elder-green", w.officer, doc, "").want(404)
	if p := w.takeIn("elder-green", token, doc, "?owner=Z9").want(422); p.str("errors", 0, "pointer") != "?owner" {
		t.Errorf("an unknown owner: %s", p.body)
	}
	// The code may be another's here.
	w.do("POST", "/v1/clubs/elder-green/vehicles", token, row{"code": "wrenfield", "name": "Another"}).want(201)
	if p := w.takeIn("elder-green", token, doc, "").want(409); !strings.Contains(p.str("detail"), "?code=") {
		t.Errorf("how to mend it is not told: %s", p.body)
	}
	in := w.takeIn("elder-green", token, doc, "?code=came-later&owner=M1").want(201)
	if in.str("report", "vehicle") != "came-later" || in.str("report", "vehicle_id") != w.of(`select id::text from vehicle where club_id = $1 and code = 'wrenfield'`) {
		t.Errorf("it is %s", in.body)
	}
	list := w.do("GET", "/v1/clubs/elder-green/history-imports", token, nil).want(200)
	if len(list.get("items").([]any)) != 1 || list.str("items", 0, "id") != in.str("id") {
		t.Errorf("imports: %s", list.body)
	}
	w.do("GET", "/v1/clubs/elder-green/history-imports/"+newID(), token, nil).want(404)
	w.do("GET", w.at("history-imports/"+in.str("id")), w.officer, nil).want(404)
}

func TestManyTakeTheSameHistoryInAtOnce(t *testing.T) {
	t.Parallel()
	w := travelled(t).patient()
	doc := w.history().body
	token := w.found("elder-green").Secret.Reveal()
	w.othersWrite()
	var all sync.WaitGroup
	answers := make([]*response, 12)
	for i := range answers {
		all.Go(func() { answers[i] = w.takeIn("elder-green", token, doc, "") })
	}
	all.Wait()
	made, ids := 0, map[string]bool{}
	for _, a := range answers {
		if a.status == 201 {
			made++
		} else {
			a.want(200)
		}
		ids[a.str("id")] = true
	}
	if made != 1 || len(ids) != 1 {
		t.Errorf("%d of 12 made it anew, as %d imports", made, len(ids))
	}
	if n := w.tally(`select count(*)::int from reading r join club c on c.club_id = r.club_id and c.slug = 'elder-green'`); n != 6 {
		t.Errorf("%d readings are there, want 6", n)
	}
}

func TestLongHistoryStaysWithinBounds(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	w.exec(`insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, method, instrument_id, station, direction_degrees, stage, surface, temperature_celsius, taken_at, received_at, member_id, assumed, fingerprint)
		select r.club_id, gen_random_uuid(), r.feature_id, 'measured', 8000000 + n, (8000000 + n)::numeric / 1000000, 'mm', r.method, r.instrument_id, 'mouth_a', 90, 'as_found', 'bright', 21.5, r.taken_at - n * interval '1 minute', r.received_at, r.member_id, r.assumed, r.fingerprint
		from (select * from reading where club_id = $1 and instrument_id is not null order by id limit 1) r, generate_series(1, 10000) n`)
	began := time.Now()
	doc := w.history()
	out := time.Since(began)
	token := w.found("elder-green").Secret.Reveal()
	began = time.Now()
	in := w.takeIn("elder-green", token, doc.body, "").want(201)
	took := time.Since(began)
	t.Logf("10,006 readings: %d bytes, given out in %v, taken in in %v", len(doc.body), out, took)
	if in.num("report", "taken", "readings") != 10006 || in.num("report", "left_out_count") != 0 {
		t.Errorf("taken: %s", fmt.Sprint(in.get("report", "taken"), in.get("report", "left_out")))
	}
	if len(doc.body) > 12<<20 {
		t.Errorf("it takes %d bytes of the 16 MiB that one may have", len(doc.body))
	}
}
