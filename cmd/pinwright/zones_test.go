package main

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/pgtest"
)

// MET is an hour ahead all the year to PostgreSQL, for which it is an abbreviation,
// and has summer time in the files that Go reads: as if the two had rules of different years.
func TestServingTellsOfTimeZonesWhoseRulesDiffer(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) values ($1, 'quay', 'Quay', 'EUR', '2026-01-01')`,
		`insert into garage (club_id, id, code, name, time_zone) values ($1, gen_random_uuid(), 'east', 'East', 'MET'), ($1, gen_random_uuid(), 'west', 'West', 'UTC')`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql, club); err != nil {
			t.Fatal(err)
		}
	}
	p := start(t, db)
	late := time.After(30 * time.Second)
	for {
		select {
		case line, more := <-p.log:
			if !more {
				t.Fatal("the service ended without a word")
			}
			if strings.Contains(line, "different rules of time zones") {
				if !strings.Contains(line, `"time_zones":["MET"]`) || !strings.Contains(line, `"level":"WARN"`) {
					t.Error(line)
				}
				return
			}
		case <-late:
			t.Fatal("nothing said of time zones within 30 s")
		}
	}
}
