package main

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/founding"
	"pinwright/internal/jobs"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// What is freed is offered to who waits within seconds: several times one after
// the other, more often than the sweep of each minute could have done it.
func TestWhatIsFreedIsOfferedAtOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	if err := jobs.Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	founded, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{Slug: "fern-row", Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	for _, statement := range []string{
		`insert into garage (club_id, id, code, name, time_zone, opens, closes) select $1, gen_random_uuid(), 'quay', 'Quay', 'Europe/Lisbon', '00:00', '24:00'`,
		`insert into tool_model (club_id, id, code, name, kind) values ($1, gen_random_uuid(), 'any', 'Any', 'other')`,
		`insert into tool (club_id, id, number, model_id, garage_id) select $1, gen_random_uuid(), 'R-1', m.id, g.id from tool_model m, garage g where m.club_id = $1 and g.club_id = $1`,
		`insert into member (club_id, id, number, name, roles) select $1, gen_random_uuid(), 'M3', 'Member', '{member}'`,
	} {
		if _, err := db.Owner.Exec(t.Context(), statement, founded.ClubID); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
	p := start(t, db, "PINWRIGHT_JOBS_DATABASE_URL="+db.JobsURL)
	waitFor(t, "jobs to run", func() bool { return p.beside(t)["jobs"] == "ok" })
	ask := func(method, path string, body any) map[string]any {
		t.Helper()
		text, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		r, err := http.NewRequestWithContext(t.Context(), method, "http://"+p.address+"/v1/clubs/fern-row/"+path, bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+founded.Secret.Reveal())
		r.Header.Set("Content-Type", "application/json")
		if method == "POST" {
			r.Header.Set("Idempotency-Key", uuid.Must(uuid.NewV7()).String())
		} else {
			r.Body, r.ContentLength = http.NoBody, 0
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close() //nolint:errcheck // only read from
		text, err = io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode >= 300 {
			t.Fatalf("%s %s: %d %s %v", method, path, answer.StatusCode, text, err)
		}
		var out map[string]any
		if err := json.Unmarshal(text, &out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	from := time.Now().Add(48 * time.Hour).UTC().Truncate(time.Hour)
	const turns = 4
	began := time.Now()
	for range turns {
		held := ask("POST", "reservations", map[string]any{"lines": []any{map[string]any{"tool": "R-1"}}, "period": map[string]any{"from": from, "until": from.Add(24 * time.Hour)}})
		waits := ask("POST", "waiting-list", map[string]any{"member": "M3", "lines": []any{map[string]any{"tool": "R-1"}}, "window": map[string]any{"from": from, "until": from.Add(20 * time.Hour)}, "hours": 10})
		entry := "waiting-list/" + waits["id"].(string)
		ask("POST", "reservations/"+held["id"].(string)+"/cancel", map[string]any{})
		waitFor(t, "an offer", func() bool { return ask("GET", entry, nil)["state"] == "offered" })
		ask("POST", entry+"/decline", map[string]any{})
	}
	if took := time.Since(began); took > turns*15*time.Second {
		t.Errorf("%d offers took %s", turns, took)
	} else {
		t.Logf("%d offers took %s, with all that led to them", turns, took)
	}
	if code, log := p.stop(t); code != 0 {
		t.Errorf("it ended with %d:\n%s", code, log)
	}
}
