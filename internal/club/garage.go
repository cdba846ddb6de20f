package club

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Garage is a place with a time zone and opening hours, where tools live and
// cars stand.
type Garage struct {
	ID       uuid.UUID
	Code     string
	Name     string
	Address  string
	TimeZone string
	Opens    string  // local time, hh:mm
	Closes   string  // local time, hh:mm; 24:00 is the end of the day
	Hours    []Hours // by weekday; none: open every day as Opens and Closes say
	Version  int64
}

// Hours are one opening of a weekday; package opening says what they mean.
type Hours struct {
	Weekday int    `json:"weekday"` // ISO 8601: 1 is Monday
	Opens   string `json:"opens"`   // local time, hh:mm
	Closes  string `json:"closes"`  // as of a garage; at or before Opens it is on the next day
}

const garageColumns = `id, code, name, address, time_zone, to_char(opens, 'HH24:MI') as opens, case when closes = '24:00' then '24:00' else to_char(closes, 'HH24:MI') end as closes, version,
	(select coalesce(jsonb_agg(jsonb_build_object('weekday', h.weekday, 'opens', left(h.opens::text, 5), 'closes', left(h.closes::text, 5)) order by h.weekday, h.opens), '[]')
	 from garage_hours h where h.club_id = garage.club_id and h.garage_id = garage.id) as hours`

// Check reports what is wrong with g that the contract cannot tell.
func (g Garage) Check() []problem.Fault {
	var faults []problem.Fault
	// Names without a stroke are the old ones; PostgreSQL takes some of them (MET, EST) for an abbreviation
	// without summer time, this program for a place that has it.
	if _, err := time.LoadLocation(g.TimeZone); err != nil || g.TimeZone != "UTC" && !strings.Contains(g.TimeZone, "/") {
		faults = append(faults, problem.Fault{Pointer: "/time_zone", Detail: "use an IANA time zone name, such as Europe/Lisbon"})
	}
	if g.Opens >= g.Closes {
		faults = append(faults, problem.Fault{Pointer: "/closes", Detail: "must be later than opens (" + g.Opens + ")"})
	}
	return append(faults, overlapping(g.Hours)...)
}

const minutesOfWeek = 7 * 24 * 60

// overlapping reports hours that begin before others have ended: nobody could
// say which of them a change is meant for.
func overlapping(hours []Hours) []problem.Fault {
	var faults []problem.Fault
	for i, h := range hours {
		for j, other := range hours[:i] {
			// How long after the one the other begins, round the week.
			after := ((other.begins()-h.begins())%minutesOfWeek + minutesOfWeek) % minutesOfWeek
			if after < h.lasts() || minutesOfWeek-after < other.lasts() || after == 0 {
				faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/hours/%d", i),
					Detail: fmt.Sprintf("overlaps with hours %d (weekday %d, %s to %s); make one of the two, or end one where the other begins", j, other.Weekday, other.Opens, other.Closes)})
				break
			}
		}
	}
	return faults
}

func (h Hours) begins() int { return (h.Weekday-1)*24*60 + minutes(h.Opens) }

func (h Hours) lasts() int {
	d := minutes(h.Closes) - minutes(h.Opens)
	if d <= 0 {
		d += 24 * 60
	}
	return d
}

// minutes reads hh:mm, which the contract has checked.
func minutes(clock string) int {
	var h, m int
	if _, err := fmt.Sscanf(clock, "%d:%d", &h, &m); err != nil {
		return 0
	}
	return h*60 + m
}

// sorted is hours in the order in which they are kept.
func sorted(hours []Hours) []Hours {
	out := append([]Hours{}, hours...)
	slices.SortFunc(out, func(a, b Hours) int { return cmp.Or(cmp.Compare(a.Weekday, b.Weekday), cmp.Compare(a.Opens, b.Opens)) })
	return out
}

// FindGarage looks a garage up by id or code.
func FindGarage(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = $2 or code = $3)`, b.Club, ref.ID, ref.Name)
}

// FindGarages looks garages up by ids and codes.
func FindGarages(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Garage] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, ids, codes)
}

// LockGarage is FindGarage, locked until the end of the write.
func LockGarage(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = $2 or code = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// ListGarages lists garages by code, after the code given. Served by
// garage_code.
func ListGarages(b *postgres.Batch, after string, limit int) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and code > $2 order by code limit $3`, b.Club, after, limit)
}

func codeTaken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another garage has the code %q. Choose another.", code)
}

// addHours writes the hours of a garage that has none.
func addHours(tx *postgres.Tx, g Garage) {
	if len(g.Hours) == 0 {
		return
	}
	tx.Queue(`insert into garage_hours (club_id, garage_id, weekday, opens, closes)
		select $1, $2, weekday, opens::time, closes::time from unnest($3::smallint[], $4::text[], $5::text[]) as h(weekday, opens, closes)`, tx.Club, g.ID,
		postgres.Column(g.Hours, func(h Hours) int16 { return int16(h.Weekday) }), //nolint:gosec // 1 to 7
		postgres.Column(g.Hours, func(h Hours) string { return h.Opens }), postgres.Column(g.Hours, func(h Hours) string { return h.Closes }))
}

// AddGarage creates g.
func AddGarage(tx *postgres.Tx, actor uuid.UUID, g Garage) Garage {
	g.Hours = sorted(g.Hours)
	tx.Queue(`insert into garage (club_id, id, code, name, address, time_zone, opens, closes) values ($1, $2, $3, $4, $5, $6, $7::text::time, $8::text::time)`,
		tx.Club, g.ID, g.Code, g.Name, g.Address, g.TimeZone, g.Opens, g.Closes).
		Refuse("garage_code", codeTaken(g.Code))
	addHours(tx, g)
	journal.Append(tx, journal.Event{Type: "garage.created", Subject: g.ID, Version: g.Version, Audience: journal.ForClub, Actor: actor}, g)
	return g
}

// UpdateGarage writes g as its next version.
func UpdateGarage(tx *postgres.Tx, actor uuid.UUID, g Garage) Garage {
	g.Version++
	g.Hours = sorted(g.Hours)
	tx.Queue(`update garage set code = $3, name = $4, address = $5, time_zone = $6, opens = $7::text::time, closes = $8::text::time, version = $9 where club_id = $1 and id = $2`,
		tx.Club, g.ID, g.Code, g.Name, g.Address, g.TimeZone, g.Opens, g.Closes, g.Version).
		Refuse("garage_code", codeTaken(g.Code))
	tx.Queue(`delete from garage_hours where club_id = $1 and garage_id = $2`, tx.Club, g.ID)
	addHours(tx, g)
	journal.Append(tx, journal.Event{Type: "garage.changed", Subject: g.ID, Version: g.Version, Audience: journal.ForClub, Actor: actor}, g)
	return g
}

// HomeZone looks up the time zone of the garage that is home to the member whom holder, a query by
// the club ($1) and key ($2), gives; none of one without a garage.
func HomeZone(b *postgres.Batch, holder string, key []byte) *postgres.Rows[string] {
	return postgres.Values[string](b, `select g.time_zone from member m join garage g on g.club_id = m.club_id and g.id = m.garage_id where m.club_id = $1 and m.id = (`+holder+`)`, b.Club, key)
}
