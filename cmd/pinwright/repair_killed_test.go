package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// bench is where somebody works whose service is killed again and again.
type bench struct {
	t     *testing.T
	db    *pgtest.DB
	p     *process
	token string
}

func (b *bench) kill() {
	b.t.Helper()
	if err := b.p.cmd.Process.Kill(); err != nil {
		b.t.Fatal(err)
	}
	b.p.end(b.t)
	b.p = start(b.t, b.db)
}

// send asks once; an error means that no answer came.
func (b *bench) send(method, path, key string, body any) (int, []byte, error) {
	var text []byte
	if body != nil {
		var err error
		if text, err = json.Marshal(body); err != nil {
			return 0, nil, err
		}
	}
	r, err := http.NewRequestWithContext(b.t.Context(), method, "http://"+b.p.address+"/v1/clubs/mill-row/"+path, bytes.NewReader(text))
	if err != nil {
		return 0, nil, err
	}
	r.Header.Set("Authorization", "Bearer "+b.token)
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", key)
	}
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, nil, err
	}
	defer response.Body.Close() //nolint:errcheck // read to its end
	answer, err := io.ReadAll(response.Body)
	return response.StatusCode, answer, err
}

// act posts, and is cut off by a kill after so long; then it asks again with the same
// key until it is answered, as a phone does.
func (b *bench) act(path string, body any, killAfter time.Duration) {
	b.t.Helper()
	key := uuid.Must(uuid.NewV7()).String()
	type answer struct {
		status int
		body   []byte
		err    error
	}
	first := make(chan answer, 1)
	go func() {
		status, text, err := b.send(http.MethodPost, path, key, body)
		first <- answer{status, text, err}
	}()
	time.Sleep(killAfter)
	victim := b.p
	if err := victim.cmd.Process.Kill(); err != nil {
		b.t.Fatal(err)
	}
	<-first
	victim.end(b.t)
	b.p = start(b.t, b.db)
	status, text, err := b.send(http.MethodPost, path, key, body)
	if err != nil || status >= 300 {
		b.t.Fatalf("%s: %d %s %v", path, status, text, err)
	}
}

// told is all that the service tells of the repair: its steps, timers, readings and
// orders.
func (b *bench) told() string {
	b.t.Helper()
	var all []string
	for _, path := range []string{"repairs/R1", "repairs/R1/steps", "readings?vehicle=waggon&limit=100", "parts-orders?limit=100", "garages/mill/repairs-today"} {
		status, text, err := b.send(http.MethodGet, path, "", nil)
		if err != nil || status != http.StatusOK {
			b.t.Fatalf("%s: %d %s %v", path, status, text, err)
		}
		var value map[string]any
		if err := json.Unmarshal(text, &value); err != nil {
			b.t.Fatal(err)
		}
		delete(value, "at") // when it was asked
		again, err := json.Marshal(value)
		if err != nil {
			b.t.Fatal(err)
		}
		all = append(all, path+" "+string(again))
	}
	return strings.Join(all, "\n")
}

// A process that serves is ended by SIGKILL at every boundary between two acts of a repair, and in
// the middle of acts: no timer, no reading and no order line is lost, and none is there twice.
func TestARepairSurvivesEveryKill(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "mill-row", Name: "Mill Row", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Bram Sedge"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, db: db, p: start(t, db), token: club.Secret.Reveal()}
	ago := func(hours int) string {
		return time.Now().Add(-time.Duration(hours) * time.Hour).UTC().Format(time.RFC3339)
	}
	type object = map[string]any
	type step struct {
		path string
		body object
	}
	steps := []step{
		{"garages", object{"code": "mill", "name": "The mill", "time_zone": "Europe/Lisbon"}},
		{"vehicles", object{"code": "waggon", "name": "Waggon", "garage": "mill"}},
		{"vehicles/waggon/joints", object{"template": "door-hinge", "positions": []string{"upper", "lower"}, "nominal": "8 mm"}},
		{"suppliers", object{"code": "fallow", "name": "Fallow Pins", "stated_days": 5}},
		{"repairs", object{"vehicle": "waggon", "joints": []string{"upper", "lower"}, "procedure": "door-hinge", "occurred_at": ago(230)}},
		{"repairs/R1/steps/protect/begin", object{"occurred_at": ago(230)}},
		{"repairs/R1/steps/protect/finish", object{"occurred_at": ago(229)}},
	}
	for day := range 7 {
		steps = append(steps, step{"repairs/R1/steps/penetrant/begin", object{"round": day + 1, "occurred_at": ago(228 - 24*day)}})
	}
	steps = append(steps, step{"repairs/R1/steps/penetrant/finish", object{"occurred_at": ago(50)}},
		step{"parts-orders", object{"supplier": "fallow", "reference": "F-1", "ordered_on": ago(49)[:10], "lines": []object{{"what": "Oversize pin, 8.2 mm", "unit": "piece", "quantity": 4}}}})
	for _, joint := range []string{"upper", "lower"} {
		steps = append(steps, step{"repairs/R1/steps/pull:" + joint + "/begin", object{"occurred_at": ago(48)}}, step{"repairs/R1/steps/pull:" + joint + "/finish", object{"occurred_at": ago(47)}})
	}
	steps = append(steps,
		step{"repairs/R1/steps/derust/begin", object{"occurred_at": ago(46)}}, step{"repairs/R1/steps/derust/finish", object{"occurred_at": ago(44)}},
		step{"repairs/R1/steps/neutralise/begin", object{"occurred_at": ago(44)}}, step{"repairs/R1/steps/neutralise/finish", object{"occurred_at": ago(43)}},
		step{"repairs/R1/steps/measure:upper/begin", object{"occurred_at": ago(42)}})
	for i := range 3 {
		steps = append(steps, step{"readings", object{"joint": "upper", "stage": "cleaned", "value": fmt.Sprintf("8.0%d mm", 3+i), "with": "inside_micrometer", "taken_at": ago(41)}})
	}
	steps = append(steps, step{"repairs/R1/steps/measure:lower/begin", object{}}) // a step that is under way at the end
	before := ""
	for i, s := range steps {
		if i < 5 || i%2 == 0 {
			status, text, err := b.send(http.MethodPost, s.path, uuid.Must(uuid.NewV7()).String(), s.body)
			if err != nil || status >= 300 {
				t.Fatalf("%s: %d %s %v", s.path, status, text, err)
			}
		} else {
			b.act(s.path, s.body, time.Duration(i%8)*2*time.Millisecond)
		}
		if i < 4 {
			continue
		}
		now := b.told()
		if now == before {
			t.Errorf("%s changed nothing that is told", s.path)
		}
		if i%2 == 0 { // the others were killed in the middle
			b.kill()
		}
		if again := b.told(); again != now {
			t.Fatalf("after %s and a kill\n%s\nbefore it\n%s", s.path, again, now)
		}
		before = now
	}
	for what, want := range map[string]int{
		`select count(*) from reading`:                                                    3,
		`select coalesce(sum(quantity), 0) from parts_line`:                               4,
		`select count(*) from repair_timer`:                                               9, // seven of creep, one of acid, one of drying
		`select count(*) from repair_step where state = 'done'`:                           6,
		`select count(*) from event where type = 'repair.step_done'`:                      6,
		`select count(*) from event e join reading r on r.id = e.subject`:                 3,
		`select count(*) from repair_step where state = 'running'`:                        2,
		`select count(distinct round) from repair_act where kind = 'begin' and round > 1`: 6,
	} {
		var got int
		if err := db.Owner.QueryRow(t.Context(), what).Scan(&got); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if got != want {
			t.Errorf("%s: %d, want %d", what, got, want)
		}
	}
}
