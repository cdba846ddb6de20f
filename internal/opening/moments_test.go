package opening_test

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"

	"pinwright/internal/opening"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// Each zone with moments near which its clock does something that is rare.
var oddMoments = map[string][]string{
	"Europe/Lisbon":       {"2026-03-29T01:00:00Z", "2026-10-25T01:00:00Z", "2028-02-29T12:00:00Z"},
	"America/Halifax":     {"2027-03-14T06:00:00Z", "2027-11-07T05:00:00Z"},
	"Australia/Lord_Howe": {"2026-10-03T15:30:00Z", "2027-04-03T15:00:00Z"}, // by half an hour
	"Pacific/Apia":        {"2011-12-30T10:00:00Z", "2026-06-01T00:00:00Z"}, // skipped 30 December 2011
	"Asia/Kathmandu":      {"2026-01-01T00:00:00Z"},                         // 5:45 ahead
	"Africa/Cairo":        {"2026-04-23T22:00:00Z", "2026-10-29T21:00:00Z"}, // skips an hour at midnight
	"America/St_Johns":    {"2027-03-14T05:30:00Z", "2027-11-07T04:30:00Z"}, // 3:30 behind
	"Africa/Casablanca":   {"2026-02-15T02:00:00Z", "2026-03-22T02:00:00Z"}, // back for a month
	"America/Sao_Paulo":   {"2018-11-04T03:00:00Z", "2019-02-17T02:00:00Z"}, // changed at midnight
	"Antarctica/Troll":    {"2027-03-28T01:00:00Z", "2027-10-31T01:00:00Z"}, // by two hours
	"Europe/Dublin":       {"2027-03-28T01:00:00Z", "2027-10-31T01:00:00Z"}, // whose winter time is the daylight saving one
	"Asia/Pyongyang":      {"2015-08-14T15:00:00Z", "2018-05-04T15:00:00Z"}, // moved by half an hour
	"Pacific/Kwajalein":   {"1993-08-21T12:00:00Z"},                         // skipped a day too
	"UTC":                 {"2026-06-01T00:00:00Z"},
}

type drawnGarage struct {
	id     uuid.UUID
	zone   string
	opens  int
	closes int
	hours  []opening.Hours
	closed []opening.Days // its own
}

// What is drawn is written into the tables, read back by Load and worked out by
// Place; and worked out by Moments in the database.
func TestGoAndSQLTellTheSameOpeningMoments(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	member := uuid.Must(uuid.NewV7())
	exec := func(sql string, args ...any) {
		if _, err := db.Owner.Exec(t.Context(), sql, args...); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	exec(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'club', 'Club', 'EUR', '2026-01-01')`, club)
	exec(`insert into member (club_id, id, number, name, roles) values ($1, $2, 'M1', 'Member', '{officer}')`, club, member)
	zones := db.ZonesOfOneEdition(t, slices.Sorted(maps.Keys(oddMoments)), moment(t, "1993-01-01T00:00:00Z"), moment(t, "2029-01-01T00:00:00Z"))
	clock := func(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }
	open, shut := 0, 0
	check := func(t *rapid.T) {
		minute := func(label string, least, most int) int { return rapid.IntRange(least/15, most/15).Draw(t, label) * 15 }
		exec(`delete from closure`)
		exec(`delete from garage_hours`)
		exec(`delete from garage`)
		name := rapid.SampledFrom(zones).Draw(t, "zone")
		at, err := time.Parse(time.RFC3339, rapid.SampledFrom(oddMoments[name]).Draw(t, "near"))
		if err != nil {
			t.Fatal(err)
		}
		from := at.Add(-time.Duration(rapid.IntRange(0, 9*24).Draw(t, "before")) * time.Hour)
		until := at.Add(time.Duration(rapid.IntRange(0, 9*24).Draw(t, "after")) * time.Hour)
		midnight := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, time.UTC)
		days := func() opening.Days {
			first := rapid.IntRange(-9, 9).Draw(t, "closed from")
			return opening.Days{First: midnight.AddDate(0, 0, first), Last: midnight.AddDate(0, 0, first+rapid.IntRange(0, 3).Draw(t, "for"))}
		}
		var garages []drawnGarage
		for i := range rapid.IntRange(1, 3).Draw(t, "garages") {
			g := drawnGarage{id: uuid.New(), zone: name, opens: minute("opens", 0, 12*60)}
			if i > 0 {
				g.zone = rapid.SampledFrom(zones).Draw(t, "another zone")
			}
			g.closes = minute("closes", g.opens+15, 24*60)
			exec(`insert into garage (club_id, id, code, name, time_zone, opens, closes) values ($1, $2, $3, 'Garage', $4, $5::text::time, $6::text::time)`,
				club, g.id, g.id.String(), g.zone, clock(g.opens), clock(g.closes))
			if rapid.Bool().Draw(t, "by weekday") {
				for weekday := 1; weekday <= 7; weekday++ {
					for n := range rapid.IntRange(0, 2).Draw(t, "openings") {
						// The first before noon, the second behind it; what overlaps with the next day's is merged.
						h := opening.Hours{Weekday: weekday, Opens: minute("opens", n*12*60, n*12*60+11*60+45), Closes: minute("closes", 0, 24*60)}
						g.hours = append(g.hours, h)
						exec(`insert into garage_hours (club_id, garage_id, weekday, opens, closes) values ($1, $2, $3, $4::text::time, $5::text::time)`,
							club, g.id, weekday, clock(h.Opens), clock(h.Closes))
					}
				}
			}
			garages = append(garages, g)
		}
		for range rapid.IntRange(0, 2).Draw(t, "closures") {
			d := days()
			whose := rapid.IntRange(0, len(garages)).Draw(t, "whose")
			var id *uuid.UUID
			for i := range garages {
				if whose == len(garages) || whose == i {
					garages[i].closed = append(garages[i].closed, d)
				}
				if whose == i {
					id = &garages[i].id
				}
			}
			exec(`insert into closure (club_id, id, garage_id, first_day, last_day, member_id, recorded_at) values ($1, gen_random_uuid(), $2, $3, $4, $5, '2026-01-01')`,
				club, id, d.First, d.Last, member)
		}
		exec(`insert into closure (club_id, id, first_day, last_day, member_id, recorded_at, withdrawn_at) values ($1, gen_random_uuid(), $2, $2, $3, '2026-01-01', '2026-01-02')`,
			club, midnight, member)

		var table *opening.Table
		err = (&postgres.DB{Pool: db.App}).Read(t.Context(), club, func(b *postgres.Batch) { table = opening.Load(b, from) })
		if err != nil {
			t.Fatal(err)
		}
		if err := table.Settle(); err != nil {
			t.Fatal(err)
		}
		rows, err := db.Owner.Query(t.Context(), `with place as (select id as garage, time_zone, opens, closes from garage where club_id = $1), `+opening.Moments("$1", "$2", "$3")+`
			select o.garage, lower(m), upper(m) from opening o cross join lateral unnest(o.moments) as m order by 1, 2`, club, from, until)
		if err != nil {
			t.Fatal(err)
		}
		bySQL := map[uuid.UUID][]string{}
		var garage uuid.UUID
		var opens, closes time.Time
		if _, err := pgx.ForEachRow(rows, []any{&garage, &opens, &closes}, func() error {
			bySQL[garage] = clipped(bySQL[garage], opening.Stretch{From: opens, Until: closes}, from, until)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		for _, g := range garages {
			z, err := time.LoadLocation(g.zone)
			if err != nil {
				t.Fatal(err)
			}
			week := g.hours
			if week == nil {
				week = opening.EveryDay(g.opens, g.closes)
			}
			drawn, loaded := opening.NewPlace("Garage", z, week, g.closed), table.Place(g.id)
			var want, got []string
			for _, s := range drawn.Within(from, until) {
				want = clipped(want, s, from, until)
			}
			for _, s := range loaded.Within(from, until) {
				got = clipped(got, s, from, until)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Fatalf("%s read from the tables (-drawn +read):\n%s", g.zone, diff)
			}
			if diff := cmp.Diff(want, bySQL[g.id]); diff != "" {
				t.Fatalf("%s from %s until %s (-Go +SQL):\n%s", g.zone, from, until, diff)
			}
			// Each moment of a grid by the words of the rule alone.
			plain := plainOpenings(z, week, from, until)
			for at := from; at.Before(until); at = at.Add(17 * time.Minute) {
				isOpen := plainlyOpen(z, plain, g.closed, at)
				if drawn.IsOpen(at) != isOpen {
					t.Fatalf("%s: open at %s: %v, but the clock on the wall says %v", g.zone, at.In(z), !isOpen, isOpen)
				}
				if isOpen {
					open++
				} else {
					shut++
				}
			}
		}
	}
	if os.Getenv("PINWRIGHT_LONG") != "" {
		for range 20 {
			rapid.Check(t, check)
		}
	} else {
		rapid.Check(t, check)
	}
	if open < 1000 || shut < 1000 {
		t.Errorf("only %d open and %d closed moments were looked at", open, shut)
	}
}

// clipped appends s, cut to the window, in words; stretches that touch at the edge
// of the window only say nothing.
func clipped(list []string, s opening.Stretch, from, until time.Time) []string {
	if s.From.Before(from) {
		s.From = from
	}
	if s.Until.After(until) {
		s.Until = until
	}
	if !s.From.Before(s.Until) {
		return list
	}
	return append(list, s.From.UTC().Format(time.RFC3339)+" "+s.Until.UTC().Format(time.RFC3339))
}

// plainOpenings are what opens the place within the window, each found by walking
// along the clock on the wall.
func plainOpenings(z *time.Location, week []opening.Hours, from, until time.Time) []opening.Stretch {
	var out []opening.Stretch
	for date := from.UTC().Truncate(24*time.Hour).AddDate(0, 0, -3); date.Before(until.AddDate(0, 0, 2)); date = date.AddDate(0, 0, 1) {
		for _, h := range week {
			if int(date.Weekday()+6)%7+1 != h.Weekday {
				continue
			}
			long := h.Closes - h.Opens
			if long <= 0 {
				long += 24 * 60
			}
			out = append(out, opening.Stretch{From: firstShown(z, date.Add(time.Duration(h.Opens)*time.Minute)), Until: firstShown(z, date.Add(time.Duration(h.Opens+long)*time.Minute))})
		}
	}
	return out
}

// plainlyOpen says whether one of the openings holds at the moment and the day
// that the clock shows is not closed.
func plainlyOpen(z *time.Location, openings []opening.Stretch, closed []opening.Days, at time.Time) bool {
	shown := at.In(z)
	today := time.Date(shown.Year(), shown.Month(), shown.Day(), 0, 0, 0, 0, time.UTC)
	for _, c := range closed {
		if !today.Before(c.First) && !today.After(c.Last) {
			return false
		}
	}
	return slices.ContainsFunc(openings, func(s opening.Stretch) bool { return !at.Before(s.From) && at.Before(s.Until) })
}

// firstShown is the first moment at which the clock on the wall shows what wanted
// shows in UTC, found by trying every quarter of an hour around it; where it never
// does, the clock that went on as before.
func firstShown(z *time.Location, wanted time.Time) time.Time {
	for at := wanted.Add(-30 * time.Hour); at.Before(wanted.Add(30 * time.Hour)); at = at.Add(15 * time.Minute) {
		shown := at.In(z)
		if time.Date(shown.Year(), shown.Month(), shown.Day(), shown.Hour(), shown.Minute(), shown.Second(), 0, time.UTC).Equal(wanted) {
			return at
		}
	}
	// The gap: what the clock would show had it not moved.
	var last time.Time
	for at := wanted.Add(-30 * time.Hour); at.Before(wanted.Add(30 * time.Hour)); at = at.Add(time.Minute) {
		shown := at.In(z)
		wall := time.Date(shown.Year(), shown.Month(), shown.Day(), shown.Hour(), shown.Minute(), 0, 0, time.UTC)
		if wall.After(wanted) {
			return last
		}
		last = at.Add(wanted.Sub(wall))
	}
	return last
}
