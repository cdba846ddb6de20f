package api_test

import (
	"fmt"
	"time"

	"github.com/google/uuid"
)

// stock puts tools on the shelves of a garage in Lisbon that is open from 08:00
// to 20:00, past the service: reservations are tested here, not tools. Each tool
// is its model, its number and its state, "" for in service.
func (w *world) stock(tools ...[3]string) {
	w.t.Helper()
	w.stockAt("dock", "Europe/Lisbon", tools...)
}

// stockAt is stock for a garage of that code and time zone.
func (w *world) stockAt(garage, zone string, tools ...[3]string) {
	w.t.Helper()
	club := w.club.ClubID
	exec := func(sql string, args ...any) {
		w.t.Helper()
		if _, err := w.db.Owner.Exec(w.t.Context(), sql, args...); err != nil {
			w.t.Fatal(err)
		}
	}
	exec(`insert into garage (club_id, id, code, name, time_zone, opens, closes) values ($1, $2, $3, $3, $4, '00:00', '24:00') on conflict on constraint garage_code do nothing`, club, uuid.New(), garage, zone)
	for _, t := range tools {
		model, number, state := t[0], t[1], t[2]
		if state == "" {
			state = "in_service"
		}
		exec(`insert into tool_model (club_id, id, code, name, kind, caution) values ($1, $2, $3, $3, 'other', $4) on conflict on constraint tool_model_code do nothing`,
			club, uuid.New(), model, "Mind the edges of "+model+".")
		exec(`insert into tool (club_id, id, number, model_id, garage_id, state)
			values ($1, $2, $3, (select id from tool_model where club_id = $1 and code = $4), (select id from garage where club_id = $1 and code = $5), $6)`,
			club, uuid.Must(uuid.NewV7()), number, model, garage, state)
	}
}

// opensByDay opens all garages from 08:00 to 20:00.
func (w *world) opensByDay() {
	w.t.Helper()
	w.exec(`update garage set opens = '08:00', closes = '20:00' where club_id = $1`)
}

// alwaysOpen opens all garages by day and by night.
func (w *world) alwaysOpen() {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), `update garage set opens = '00:00', closes = '24:00'`); err != nil {
		w.t.Fatal(err)
	}
}

// hour is so many hours after the next full hour of the world's clock.
func (w *world) hour(n int) time.Time {
	return w.clock.now().Truncate(time.Hour).Add(time.Duration(n+1) * time.Hour)
}

// period is a period from one such hour to another.
func (w *world) period(from, until int) map[string]any {
	return map[string]any{"from": w.hour(from), "until": w.hour(until)}
}

func lines(l ...map[string]any) []map[string]any { return l }

func toolLine(number string) map[string]any { return map[string]any{"tool": number} }

func modelLine(code string) map[string]any { return map[string]any{"tool_model": code} }

// reserve asks for lines in one period.
func (w *world) reserve(token string, from, until int, l ...map[string]any) *response {
	w.t.Helper()
	return w.do("POST", w.at("reservations"), token, map[string]any{"period": w.period(from, until), "lines": l})
}

// wantTools holds a reservation to these tools, in the order of its lines.
func (r *response) wantTools(numbers ...string) *response {
	r.t.Helper()
	var got []string
	list, _ := r.get("lines").([]any)
	for i := range list {
		got = append(got, r.str("lines", i, "tool_number"))
	}
	if fmt.Sprint(got) != fmt.Sprint(numbers) {
		r.t.Fatalf("%s: booked %v, want %v\n%s", r.what, got, numbers, r.body)
	}
	return r
}

// wantTime holds a time in the body.
func (r *response) wantTime(want time.Time, path ...any) *response {
	r.t.Helper()
	got, err := time.Parse(time.RFC3339Nano, r.str(path...))
	if err != nil || !got.Equal(want) {
		r.t.Errorf("%s: %v is %q, want %s\n%s", r.what, path, r.str(path...), want.UTC().Format(time.RFC3339), r.body)
	}
	return r
}
