package lending_test

import (
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/lending"
	"pinwright/internal/opening"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// hold is a stretch for which a tool of the brute force is promised, in hours from
// the beginning.
type hold struct {
	starts, ends, from, until int
	state                     string
	late                      bool
}

type shelfTool struct {
	id, model    uuid.UUID
	number       string
	state        string
	home         int // garage
	pause        int // hours
	holds        []hold
	holdsUntil   *time.Time // the end of the last day on which its calibration holds
	way          int        // hours, to where it is collected
	place        *opening.Place
	opens, takes []bool // by hour
}

// trial is a club on a grid of hours, known twice: in the tables, and here.
type trial struct {
	begin   time.Time
	hours   int // of the window
	now     int
	long    int
	tools   []*shelfTool
	named   []uuid.UUID
	modeled map[uuid.UUID]int // how many of each model
}

func (s *trial) at(hour int) time.Time { return s.begin.Add(time.Duration(hour) * time.Hour) }

// can says by the rules alone whether the tool can be had from one hour to
// another.
func (s *trial) can(t *shelfTool, from, until int) bool {
	if t.state != "in_service" || !t.opens[from] || !t.takes[until] || t.holdsUntil != nil && s.at(until).After(*t.holdsUntil) {
		return false
	}
	for _, h := range t.holds {
		if from-t.way < h.until && until+t.pause+t.way > h.from {
			return false
		}
		if h.late && from-t.way < s.now+max(t.pause, h.until-h.ends) {
			return false
		}
	}
	return true
}

func (s *trial) serves(from, until int) bool {
	free := map[uuid.UUID]int{}
	for _, t := range s.tools {
		switch can := s.can(t, from, until); {
		case slices.Contains(s.named, t.id):
			if !can {
				return false
			}
		case can:
			free[t.model]++
		}
	}
	for model, n := range s.modeled {
		if free[model] < n {
			return false
		}
	}
	return true
}

// all lists every stretch that serves and lies in no other that does, with the
// tools, as text.
func (s *trial) all() ([]string, [][2]int) {
	var fitting [][2]int
	for from := range s.hours {
		for until := from + s.long; until <= s.hours; until++ {
			if s.serves(from, until) {
				fitting = append(fitting, [2]int{from, until})
			}
		}
	}
	var out []string
	var kept [][2]int
	reached := -1
	for from := range s.hours {
		last := -1
		for _, f := range fitting {
			if f[0] == from {
				last = max(last, f[1])
			}
		}
		if last <= reached {
			continue
		}
		reached = last
		var numbers []string
		for _, t := range s.tools {
			if s.modeled[t.model] > 0 && s.can(t, from, last) || slices.Contains(s.named, t.id) {
				numbers = append(numbers, t.number)
			}
		}
		slices.Sort(numbers)
		out = append(out, fmt.Sprint(from, " ", last, " ", numbers))
		kept = append(kept, [2]int{from, last})
	}
	return out, kept
}

// able says whether the tool by itself could be had from some hour of the gap on.
func (s *trial) able(t *shelfTool, gap [2]int) bool {
	for from := gap[0]; from < gap[1]; from++ {
		for until := from + s.long; until <= s.hours; until++ {
			if s.can(t, from, until) {
				return true
			}
		}
	}
	return false
}

// The answer of the database is that of trying every hour: random tools at two or
// three garages with hours of their own, promises of every state, loans that are late,
// tools that are not in service or due for calibration, kits, and ways between
// garages. Every reason that it tells is true, and nothing is left without one.
func TestCommonFreeIsWhatTryingEveryHourFinds(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	seen := map[string]int{}
	background := t.Context()
	zones := db.ZonesOfOneEdition(t, []string{"Europe/Lisbon", "America/Halifax", "UTC"}, time.Date(2026, time.October, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, time.December, 1, 0, 0, 0, 0, time.UTC))
	check := func(t *rapid.T) {
		exec := func(sql string, args ...any) {
			if _, err := db.Owner.Exec(background, sql, args...); err != nil {
				t.Fatalf("%v\n%s", err, sql)
			}
		}
		draw := func(label string, least, most int) int { return rapid.IntRange(least, most).Draw(t, label) }
		club, member := uuid.New(), uuid.New() // another club each time
		turnaround, travel := draw("turnaround", 0, 4), draw("travel", 0, 3)
		exec(`insert into club (club_id, slug, name, currency, created_at, turnaround_hours) values ($1, $3, 'Club', 'EUR', '2026-01-01', $2)`, club, turnaround, club.String())
		exec(`insert into member (club_id, id, number, name, roles) values ($1, $2, 'M1', 'Member', '{officer}')`, club, member)
		exec(`insert into lending_rule (club_id, travel_minutes) values ($1, $2)`, club, travel*60)
		exec(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) values ($1, $1, 'handout', $2, '2026-01-01', '2026-01-01')`, club, member)
		// Begin is near a change of the clock in Lisbon and in Halifax.
		s := &trial{begin: time.Date(2026, time.October, 24, draw("begin", 0, 23), 0, 0, 0, time.UTC), hours: draw("window", 24, 110), long: draw("long", 1, 30), modeled: map[uuid.UUID]int{}}
		s.now = draw("now", -5, 0)

		// Garages.
		var garages []uuid.UUID
		var places []*opening.Place
		for i := range draw("garages", 1, 3) {
			garages = append(garages, uuid.New())
			name := rapid.SampledFrom(zones).Draw(t, "zone")
			zone, err := time.LoadLocation(name)
			if err != nil {
				t.Fatal(err)
			}
			exec(`insert into garage (club_id, id, code, name, time_zone, opens, closes) values ($1, $2, $3, $3, $4, '00:00', '24:00')`, club, garages[i], fmt.Sprint("g", i), name)
			hours := opening.EveryDay(0, 24*60)
			if draw("by weekday", 0, 3) > 0 {
				hours = nil
				for weekday := 1; weekday <= 7; weekday++ {
					if draw("closed", 0, 5) == 0 && (hours != nil || weekday < 7) {
						continue
					}
					h := opening.Hours{Weekday: weekday, Opens: draw("opens", 0, 23) * 60, Closes: draw("closes", 1, 24) * 60}
					hours = append(hours, h)
					exec(`insert into garage_hours (club_id, garage_id, weekday, opens, closes) values ($1, $2, $3, make_time($4, 0, 0), make_interval(hours => $5)::text::time)`, club, garages[i], weekday, h.Opens/60, h.Closes/60)
				}
			}
			var closed []opening.Days
			if draw("closure", 0, 3) == 0 {
				on := s.begin.Truncate(24*time.Hour).AddDate(0, 0, draw("closed on", 0, 3))
				closed = []opening.Days{{First: on, Last: on}}
				exec(`insert into closure (club_id, id, garage_id, first_day, last_day, member_id, recorded_at) values ($1, gen_random_uuid(), $2, $3, $3, $4, '2026-01-01')`, club, garages[i], on, member)
			}
			places = append(places, opening.NewPlace(fmt.Sprint("g", i), zone, hours, closed))
		}
		way := func(a, b int) int { return travel }
		if len(garages) > 1 && draw("table", 0, 1) == 1 {
			known := draw("known way", 0, 5)
			a, b := garages[0], garages[1]
			if slices.Compare(a[:], b[:]) > 0 {
				a, b = b, a
			}
			exec(`insert into travel_time (club_id, garage_id, other_garage_id, minutes) values ($1, $2, $3, $4)`, club, a, b, known*60)
			way = func(a, b int) int {
				if a+b == 1 {
					return known
				}
				return travel
			}
		}
		collect := -1 // the garage where all is collected
		if draw("one garage", 0, 3) == 0 {
			collect = draw("garage", 0, len(garages)-1)
		}

		// Tools, and what they are promised for.
		var models []uuid.UUID
		for m := range draw("models", 1, 3) {
			models = append(models, uuid.New())
			pause := draw("pause", -1, 5) // below: as the club has it
			exec(`insert into tool_model (club_id, id, code, name, kind, turnaround_hours) values ($1, $2, $3, 'Model', 'other', nullif($4, -1))`, club, models[m], fmt.Sprint("m", m), pause)
			if pause < 0 {
				pause = turnaround
			}
			for n := range draw("tools", 1, 3) {
				tool := &shelfTool{id: uuid.New(), model: models[m], number: fmt.Sprintf("m%d-%d", m, n), home: draw("home", 0, len(garages)-1), pause: pause, state: "in_service"}
				if draw("idle", 0, 9) == 0 {
					tool.state = rapid.SampledFrom([]string{"quarantine", "lost", "retired"}).Draw(t, "state")
				}
				exec(`insert into tool (club_id, id, number, model_id, garage_id, state) values ($1, $2, $3, $4, $5, $6)`, club, tool.id, tool.number, tool.model, garages[tool.home], tool.state)
				tool.place = places[tool.home]
				if collect >= 0 {
					tool.place = places[collect]
					if collect != tool.home {
						tool.way = way(collect, tool.home)
					}
				}
				if draw("instrument", 0, 4) == 0 {
					due := s.begin.Truncate(24*time.Hour).AddDate(0, 0, draw("due", 0, 5))
					end := places[tool.home].EndOf(due)
					tool.holdsUntil = &end
					for i, on := range []time.Time{due, due.AddDate(0, 0, -3)} { // the newest counts
						exec(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at) values ($1, gen_random_uuid(), $2, $3, $4, 1, 2, $5, '2026-01-01')`,
							club, tool.id, time.Date(2026, 1, 2-i, 0, 0, 0, 0, time.UTC), on, member)
					}
				}
				at := -30
				for line := range draw("promises", 0, 5) {
					h := hold{from: at + draw("idle for", 0, 30)}
					h.starts = h.from + draw("way there", 0, 3)
					h.ends = h.starts + draw("for", 1, 30)
					h.until = h.ends + draw("cleaning and way back", 0, 6)
					at = h.until
					h.state = rapid.SampledFrom([]string{"reserved", "returned", "cancelled", "lost"}).Draw(t, "state")
					open := h.starts <= s.now && line == 0 && draw("out", 0, 1) == 1 // one at most
					if open {
						h.state = "out"
						h.late = h.ends < s.now
					}
					id := uuid.New()
					exec(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $3, '2026-01-01')`, club, id, member)
					exec(`insert into booking (club_id, reservation_id, line, tool_id, period, held, state) values ($1, $2, 0, $3, tstzrange($4, $5), tstzrange($6, $7), $8)`,
						club, id, tool.id, s.at(h.starts), s.at(h.ends), s.at(h.from), s.at(h.until), h.state)
					if open {
						exec(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at) values ($1, $2, $2, 0, $3, $4, $1, $5, tstzrange($6, $7), $5)`,
							club, id, tool.id, member, s.at(h.starts), s.at(h.from), s.at(h.until))
					}
					if h.state != "cancelled" && h.state != "lost" {
						tool.holds = append(tool.holds, h)
					}
				}
				tool.opens, tool.takes = make([]bool, s.hours+1), make([]bool, s.hours+1)
				for hour := range s.hours + 1 {
					tool.opens[hour], tool.takes[hour] = tool.place.IsOpen(s.at(hour)), tool.place.TakesBack(s.at(hour))
				}
				s.tools = append(s.tools, tool)
			}
		}

		// What is needed: some by name, some by model, some in a kit.
		need := lending.Need{Now: s.at(s.now)}
		if collect >= 0 {
			need.Garage = rapid.SampledFrom([]string{fmt.Sprint("g", collect), garages[collect].String()}).Draw(t, "garage by")
		}
		byName := func(t *shelfTool) {
			if !slices.Contains(s.named, t.id) {
				s.named = append(s.named, t.id)
			}
		}
		kit := uuid.New()
		exec(`insert into kit (club_id, id, code, name) values ($1, $2, 'kit', 'Kit')`, club, kit)
		parts := 0
		for range draw("needs", 1, 4) {
			tool, model := rapid.SampledFrom(s.tools).Draw(t, "tool"), draw("model", 0, len(models)-1)
			switch draw("as", 0, 5) {
			case 0:
				byName(tool)
				need.Tools = append(need.Tools, rapid.SampledFrom([]string{tool.number, tool.id.String()}).Draw(t, "tool by"))
			case 1, 4:
				s.modeled[models[model]]++
				need.Models = append(need.Models, rapid.SampledFrom([]string{fmt.Sprint("m", model), models[model].String()}).Draw(t, "model by"))
			case 2, 5:
				s.modeled[models[model]]++
				exec(`insert into kit_part (club_id, kit_id, ordinal, model_id) values ($1, $2, $3, $4)`, club, kit, parts, models[model])
				parts++
			default:
				if !slices.Contains(s.named, tool.id) {
					exec(`insert into kit_part (club_id, kit_id, ordinal, tool_id) values ($1, $2, $3, $4)`, club, kit, parts, tool.id)
					parts++
				}
				byName(tool)
			}
		}
		if parts > 0 {
			need.Kits = []string{rapid.SampledFrom([]string{"kit", kit.String()}).Draw(t, "kit by")}
		}
		first := draw("first", 1, 50)

		var free, alone *lending.Free
		window := lending.Period{From: s.begin, Until: s.at(s.hours)}
		err := (&postgres.DB{Pool: db.App}).Read(background, club, func(b *postgres.Batch) {
			free = lending.CommonFreeAndWhy(b, need, window, time.Duration(s.long)*time.Hour, first)
			alone = lending.CommonFree(b, need, window, time.Duration(s.long)*time.Hour, first)
		})
		if err != nil {
			t.Fatal(err)
		}
		if faults := free.Unknown(lending.Pointers{}); len(faults) > 0 {
			t.Fatal(faults)
		}
		hour := func(at time.Time) int { return int(at.Sub(s.begin) / time.Hour) }
		want, kept := s.all()
		if len(want) > first {
			want, kept = want[:first], kept[:first]
		}
		var got []string
		for _, p := range free.Periods() {
			got = append(got, fmt.Sprint(hour(p.From), " ", hour(p.Until), " ", p.Tools))
			if ends := hour(p.Ends); ends < hour(p.From)+s.long || !s.serves(hour(p.From), ends) {
				t.Fatalf("from %d on, things are said to be taken back at %d", hour(p.From), ends)
			}
		}
		if diff := gocmp.Diff(want, got); diff != "" {
			t.Fatalf("free together (-every hour tried +answered):\n%s", diff)
		}
		if diff := gocmp.Diff(free.Periods(), alone.Periods(), gocmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }), gocmp.AllowUnexported(lending.FreePeriod{})); diff != "" {
			t.Fatalf("with and without reasons:\n%s", diff)
		}
		s.holdReasons(t, free, kept, len(want) < first, seen, hour)
	}
	if os.Getenv("PINWRIGHT_LONG") != "" {
		for range 20 {
			rapid.Check(t, check)
		}
	} else {
		rapid.Check(t, check)
	}
	never := func() []string {
		return slices.DeleteFunc([]string{"reserved", "out", "late", "cleaning", "travel", "quarantine", "lost", "retired", "calibration_due", "closed", "too_short", "too_few", "together", "a period"},
			func(reason string) bool { return seen[reason] > 0 })
	}
	for range 4 { // some are met once in a hundred draws
		if len(never()) > 0 {
			rapid.Check(t, check)
		}
	}
	if rare := never(); len(rare) > 0 {
		t.Errorf("never met: %v", rare)
	}
}

// holdReasons holds that the times without an answer are those between the
// answers, and that each reason of them is so.
func (s *trial) holdReasons(t *rapid.T, free *lending.Free, kept [][2]int, toTheEnd bool, seen map[string]int, hour func(time.Time) int) {
	var gaps [][2]int
	reached := 0
	for _, k := range kept {
		seen["a period"]++
		if k[0] > reached {
			gaps = append(gaps, [2]int{reached, k[0]})
		}
		reached = max(reached, k[1])
	}
	if toTheEnd && reached < s.hours {
		gaps = append(gaps, [2]int{reached, s.hours})
	}
	var got [][2]int
	for _, f := range free.Failed() {
		got = append(got, [2]int{hour(f.From), hour(f.Until)})
	}
	if diff := gocmp.Diff(gaps, got); diff != "" {
		t.Fatalf("times without an answer (-wanted +told):\n%s", diff)
	}
	for i, f := range free.Failed() {
		gap := gaps[i]
		blamed := s.blamed(gap)
		if len(f.Because) == 0 {
			t.Fatalf("no reason for %v", gap)
		}
		told := map[string]bool{}
		for _, b := range f.Because {
			told[b.Tool] = true
			if b.Text == "" || b.Text[len(b.Text)-1] != '.' {
				t.Fatalf("%s: text %q", b.Reason, b.Text)
			}
			if b.Tool == "" && b.Model == "" {
				seen["together"]++
				if b.Reason != "too_short" || len(blamed) > 0 {
					t.Fatalf("%v: %q, though %v are to blame", gap, b.Text, blamed)
				}
				continue
			}
			seen[b.Reason]++
			if b.Tool == "" {
				continue
			}
			tool := s.tools[slices.IndexFunc(s.tools, func(t *shelfTool) bool { return t.number == b.Tool })]
			if s.able(tool, gap) {
				t.Fatalf("%v: %q, but it could be had", gap, b.Text)
			}
			if !s.isSo(tool, gap, b.Reason) {
				t.Fatalf("%v: %q is not so", gap, b.Text)
			}
		}
		for _, number := range blamed {
			if !told[number] {
				t.Fatalf("%v: nothing is told of %s, which could not be had: %v", gap, number, f.Because)
			}
		}
	}
}

// blamed are the tools that cannot be had from the gap on, of needs that cannot be
// served from it on.
func (s *trial) blamed(gap [2]int) []string {
	able := map[uuid.UUID]int{}
	for _, t := range s.tools {
		if !slices.Contains(s.named, t.id) && s.able(t, gap) {
			able[t.model]++
		}
	}
	var out []string
	for _, t := range s.tools {
		isNamed := slices.Contains(s.named, t.id)
		if (isNamed || able[t.model] < s.modeled[t.model]) && !s.able(t, gap) {
			out = append(out, t.number)
		}
	}
	return out
}

func (s *trial) isSo(t *shelfTool, gap [2]int, reason string) bool {
	meets := func(from, until int) bool { return from < gap[1] && until > gap[0] }
	of := func(so func(h hold) bool) bool { return slices.ContainsFunc(t.holds, so) }
	switch reason {
	case "reserved", "out":
		return of(func(h hold) bool { return h.state == reason && meets(h.starts, h.ends) })
	case "late":
		return of(func(h hold) bool { return h.late })
	case "cleaning":
		return of(func(h hold) bool {
			return meets(h.from-t.pause-t.way, h.from-t.way) || meets(h.ends, h.until) || h.state == "returned" && meets(h.starts, h.ends)
		})
	case "travel":
		return of(func(h hold) bool { return meets(h.from-t.way, h.starts) || meets(h.until, h.until+t.way) })
	case "calibration_due":
		return t.holdsUntil != nil && s.at(gap[1]).After(*t.holdsUntil)
	case "closed", "too_short":
		return t.state == "in_service" // and cannot be had, which is asked already
	default:
		return t.state == reason
	}
}
