package api_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// report is the answer to a batch.
type report struct {
	Created, Existing, Refused int
	Rows                       []struct {
		Row     int
		Status  string
		ID      string
		Reading json.RawMessage
		Errors  []struct{ Pointer, Detail string }
	}
}

func reportOf(t testing.TB, r *response) report {
	t.Helper()
	var out report
	if err := json.Unmarshal(r.body, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func (r report) statuses() string {
	out := make([]string, len(r.Rows))
	for i, row := range r.Rows {
		out[i] = row.Status
	}
	return strings.Join(out, " ")
}

func TestABatchJudgesEachRowByItself(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	a, b, c := newID(), newID(), newID()
	batch := row{"readings": []any{
		with(measured, row{"id": a}),
		with(measured, row{"id": b, "with": "micrometer"}), // refused: leaves nothing, so the id stays free
		with(measured, row{"id": a}),
		with(measured, row{"id": a, "value": "8.02 mm"}),
		with(gauged, row{"id": b, "reslut": "go", "gauge": row{"value": 0.318}}),
		"a text", nil, 7,
		with(gauged, row{"id": b}),
		with(gauged, row{"id": c, "joint": "left"}),
	}}
	got := reportOf(t, w.do("POST", w.at("readings"), w.officer, batch, header{"Idempotency-Key", ""}).want(200))
	if diff := cmp.Diff("created refused exists refused refused refused refused refused created refused", got.statuses()); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	if got.Created != 2 || got.Existing != 1 || got.Refused != 7 {
		t.Errorf("counted %d, %d, %d", got.Created, got.Existing, got.Refused)
	}
	var pointers []string
	for _, r := range got.Rows {
		for _, e := range r.Errors {
			pointers = append(pointers, e.Pointer)
		}
	}
	want := []string{"/readings/1/with", "/readings/3/id", "/readings/4/gauge", "/readings/4/reslut", "/readings/5", "/readings/6", "/readings/7", "/readings/9/joint"}
	if diff := cmp.Diff(want, pointers); diff != "" {
		t.Errorf("faults at, -want +got\n%s", diff)
	}
	alone := w.do("GET", w.at("readings/"+a), w.officer, nil).want(200)
	if string(alone.body) != string(got.Rows[0].Reading) || string(alone.body) != string(got.Rows[2].Reading) {
		t.Errorf("alone %s\nin the batch %s", alone.body, got.Rows[0].Reading)
	}
	mended := reportOf(t, w.do("POST", w.at("readings"), w.officer, row{"readings": []any{with(gauged, row{"id": c, "joint": "left", "vehicle": "van"})}}).want(200))
	if mended.statuses() != "created" {
		t.Errorf("mended under its id: %s", mended.statuses())
	}
	for _, envelope := range []string{`{"readings":[]}`, `{"readings":{}}`, `{"readings":[{}],"joint":"x"}`} {
		w.do("POST", w.at("readings"), w.officer, raw(envelope)).want(422)
	}
	w.do("POST", w.at("readings"), w.officer, raw(`{"readings":[`+strings.Repeat(`1,`, 1000)+`1]}`)).want(422).wantFault("/readings")
}

func TestAnAtomicBatchIsAllOrNone(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	known := with(measured, row{"id": newID()})
	w.do("POST", w.at("readings"), w.officer, known).want(201)
	good := with(gauged, row{"id": newID()})
	bad := []any{good, with(known, row{"value": "8.02 mm"}), known, with(gauged, row{"id": newID(), "joint": "roof"})}
	w.do("POST", w.at("readings?atomic=true"), w.officer, row{"readings": bad}).want(422).wantFault("/readings/1/id").wantFault("/readings/3/joint")
	if n := count(t, w, `select count(*) from reading`); n != 1 {
		t.Errorf("a refused batch left %d readings", n-1)
	}
	all := reportOf(t, w.do("POST", w.at("readings?atomic=true"), w.officer, row{"readings": []any{good, known}}).want(200))
	if all.statuses() != "created exists" {
		t.Errorf("statuses %s", all.statuses())
	}
}

func TestABatchWithoutIdsIsCountedOnceByItsKey(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	key := header{"Idempotency-Key", newID()}
	batch := row{"readings": []any{measured, measured, gauged}}
	first := w.do("POST", w.at("readings"), w.officer, batch, key).want(200)
	again := w.do("POST", w.at("readings"), w.officer, batch, key).want(200)
	if string(first.body) != string(again.body) || reportOf(t, first).statuses() != "created created created" {
		t.Errorf("first %s\nagain %s", first.body, again.body)
	}
	if n := count(t, w, `select count(*) from reading`); n != 3 {
		t.Errorf("%d readings on record", n)
	}
}

// thousand is a batch of 1,000 rows: two parts of new readings, then some that
// are refused, that stand twice, and that stand twice with different content.
func thousand() (rows []any, want map[string]int) {
	want = map[string]int{}
	add := func(status string, r row) {
		rows = append(rows, r)
		want[status]++
	}
	for i := range 800 {
		r := with(measured, row{"id": newID(), "value": fmt.Sprintf("8.%03d mm", i%100), "taken_at": time.Date(2026, 1, 1+i%28, i%24, 0, 0, 0, time.UTC).Format(time.RFC3339)})
		if i%2 == 0 {
			r = with(gauged, row{"id": newID(), "joint": "right", "vehicle": []string{"coupe", "van"}[i/2%2], "gauge": "G318"})
		}
		add("created", r)
	}
	for i := range 50 {
		add("exists", rows[i].(row))
		add("refused", with(rows[i].(row), row{"surface": "pitted"}))
		add("refused", with(measured, row{"id": newID(), "joint": fmt.Sprint("roof", i)}))
		add("refused", with(measured, row{"id": newID(), "value": "8 cubits"}))
	}
	return rows, want
}

func TestAThousandRows(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	rows, want := thousand()
	got := reportOf(t, w.do("POST", w.at("readings"), w.officer, row{"readings": rows}).want(200))
	if diff := cmp.Diff(want, map[string]int{"created": got.Created, "exists": got.Existing, "refused": got.Refused}); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	again := reportOf(t, w.do("POST", w.at("readings"), w.officer, row{"readings": rows}).want(200))
	if diff := cmp.Diff(map[string]int{"created": 0, "exists": 850, "refused": 150}, map[string]int{"created": again.Created, "exists": again.Existing, "refused": again.Refused}); diff != "" {
		t.Errorf("sent again, -want +got\n%s", diff)
	}
	if n := count(t, w, `select count(*) from reading`); n != 800 {
		t.Errorf("%d on record", n)
	}
	// The journal has one event for each, chained as single ones are.
	broken := count(t, w, `select count(*) from (
		select seq, hash, sha256(lag(hash, 1, '\x00') over (order by seq) || digest || convert_to(jsonb_build_array(club_id, seq, extract(epoch from at), actor, type, subject, subject_version, audience)::text, 'UTF8')) as due
		from event where club_id = $1) x where hash <> due`, w.club.ClubID)
	if broken != 0 {
		t.Errorf("%d events break the chain", broken)
	}
	if n := count(t, w, `select count(*) from event e join head h using (club_id) where e.type = 'reading.created' and h.seq = (select max(seq) from event)`); n != 800 {
		t.Errorf("%d events for 800 readings", n)
	}
}

func TestOverlappingBatchesAtOnceCountEachReadingOnce(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	const clients, ids = 32, 120
	all := make([]row, ids)
	for i := range all {
		all[i] = with(measured, row{"id": newID(), "value": fmt.Sprintf("8.%03d mm", i)})
	}
	created := make([]int, ids)
	place := map[string]int{}
	for i, r := range all {
		place[r["id"].(string)] = i
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	var mu sync.Mutex
	var wg sync.WaitGroup
	for client := range clients {
		wg.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(client)))
			mine := slices.Clone(all)
			random.Shuffle(ids, func(i, j int) { mine[i], mine[j] = mine[j], mine[i] })
			batch := make([]any, ids/2)
			for i := range batch {
				batch[i] = mine[i]
			}
			r := w.do("POST", w.at("readings"), w.officer, row{"readings": batch}, header{"Idempotency-Key", ""})
			if r.status != 200 {
				t.Errorf("client %d: %d %s", client, r.status, r.body)
				return
			}
			got := reportOf(t, r)
			if got.Created+got.Existing != len(batch) || got.Refused != 0 {
				t.Errorf("client %d: %d created, %d existing, %d refused", client, got.Created, got.Existing, got.Refused)
			}
			mu.Lock()
			defer mu.Unlock()
			for _, row := range got.Rows {
				if row.Status == "created" {
					created[place[row.ID]]++
				}
			}
		})
	}
	wg.Wait()
	for i, n := range created {
		if n > 1 {
			t.Errorf("reading %d was created %d times", i, n)
		}
	}
	on := count(t, w, `select count(*) from reading`)
	if events := count(t, w, `select count(*) from event where type = 'reading.created'`); events != on {
		t.Errorf("%d events for %d readings", events, on)
	}
	total := 0
	for _, n := range created {
		total += n
	}
	if total != on {
		t.Errorf("%d were told as created, %d are on record", total, on)
	}
	if n := w.db.Deadlocks(t); n != 0 {
		t.Errorf("%d deadlocks", n)
	}
}

func TestOneReadingPostedByManyAtOnceIsCountedOnce(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	body := with(gauged, row{"id": newID()})
	statuses := make([]int, 32)
	var wg sync.WaitGroup
	for i := range statuses {
		wg.Go(func() { statuses[i] = w.do("POST", w.at("readings"), w.officer, body).status })
	}
	wg.Wait()
	slices.Sort(statuses)
	if want := append(slices.Repeat([]int{200}, 31), 201); !slices.Equal(statuses, want) {
		t.Errorf("statuses %v", statuses)
	}
	other := make([]int, 16)
	for i := range other {
		wg.Go(func() {
			other[i] = w.do("POST", w.at("readings"), w.officer, with(body, row{"id": "01890000-0000-7000-8000-000000000000", "value": nil, "stage": []string{"cleaned", "as_found"}[i%2]})).status
		})
	}
	wg.Wait()
	slices.Sort(other)
	if want := append(slices.Repeat([]int{200}, 7), append([]int{201}, slices.Repeat([]int{409}, 8)...)...); !slices.Equal(other, want) {
		t.Errorf("two contents under one id: statuses %v", other)
	}
	if n := w.db.Deadlocks(t); n != 0 {
		t.Errorf("%d deadlocks", n)
	}
}

func TestOneOfManyVoidsAtOnceSucceeds(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	at := w.do("POST", w.at("readings"), w.officer, gauged).want(201).header.Get("Location")
	statuses := make([]int, 16)
	var wg sync.WaitGroup
	for i := range statuses {
		wg.Go(func() {
			if i%2 == 0 {
				statuses[i] = w.do("POST", at+"/void", w.officer, row{"reason": "slipped"}).status
			} else if r := w.do("POST", at+"/replace", w.officer, row{"reason": "slipped", "reading": measured}); r.status == 201 {
				statuses[i] = 200
			} else {
				statuses[i] = r.status
			}
		})
	}
	wg.Wait()
	slices.Sort(statuses)
	if want := append([]int{200}, slices.Repeat([]int{409}, 15)...); !slices.Equal(statuses, want) {
		t.Errorf("statuses %v", statuses)
	}
	if on, void := count(t, w, `select count(*) from reading`), count(t, w, `select count(*) from reading_void where replaced_by is not null`); on != 1+void {
		t.Errorf("%d readings after %d replacements", on, void)
	}
}

// TestOrderOfUploadDoesNotMatter: three phones send what they took offline, in
// any order, in any cuts and some of it twice; the history is the same.
func TestOrderOfUploadDoesNotMatter(t *testing.T) {
	t.Parallel()
	var histories []string
	all := make([]row, 24)
	for i := range all {
		all[i] = with(measured, row{"id": newID(), "value": fmt.Sprintf("8.%03d mm", i), "taken_at": time.Date(2026, 2, 1+i%7, 8, 0, 0, 0, time.UTC).Format(time.RFC3339)})
	}
	for seed := range uint64(3) {
		w := newBench(t)
		random := rand.New(rand.NewPCG(seed, 1))
		sent := append(slices.Clone(all), all[:12]...)
		random.Shuffle(len(sent), func(i, j int) { sent[i], sent[j] = sent[j], sent[i] })
		for len(sent) > 0 {
			n := min(1+random.IntN(6), len(sent))
			batch := make([]any, n)
			for i := range batch {
				batch[i] = sent[i]
			}
			if got := reportOf(t, w.do("POST", w.at("readings"), w.officer, row{"readings": batch}).want(200)); got.Refused > 0 {
				t.Fatalf("refused: %+v", got)
			}
			sent = sent[n:]
			w.clock.advance(time.Minute)
		}
		var history strings.Builder
		list := w.do("GET", w.at("readings?joint=only"), w.officer, nil).want(200)
		for i := range list.get("items").([]any) {
			fmt.Fprintln(&history, list.str("items", i, "id"), list.str("items", i, "taken_at"), list.get("items", i, "entered"), list.get("items", i, "assumed"))
		}
		histories = append(histories, history.String())
	}
	if histories[0] != histories[1] || histories[1] != histories[2] || strings.Count(histories[0], "\n") != 24 {
		t.Errorf("histories differ:\n%s", strings.Join(histories, "\n"))
	}
}
