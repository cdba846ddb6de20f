package club

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Stay is for how long a guest is one, and on whose word.
type Stay struct {
	HostID  uuid.UUID
	LastDay time.Time // a date, at midnight UTC
	Until   time.Time // the end of that day at the guest's garage, else the host's, else in UTC
}

// LongestStay is how many days ahead a guest's last day may lie; whoever stays
// longer becomes a member.
const LongestStay = 92

// Host is a member who may answer for a guest, with what is needed to tell.
type Host struct {
	ID       uuid.UUID
	Number   string
	Roles    []string
	Working  bool // neither disabled nor a guest
	TimeZone *string
}

// FindHost looks a host up by id or number.
func FindHost(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Host] {
	return postgres.Query[Host](b, `
		select m.id, m.number, m.roles, m.disabled_at is null and m.host_id is null as working, g.time_zone
		from member m left join garage g on g.club_id = m.club_id and g.id = m.garage_id
		where m.club_id = $1 and (m.id = $2 or m.number = $3)`, b.Club, ref.ID, ref.Name)
}

// FindHostOf returns the host of the guest who has that id or number, with the
// time zone by which the guest's stay ends; no row for who is no guest.
func FindHostOf(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Host] {
	return postgres.Query[Host](b, `
		select h.id, h.number, h.roles, h.disabled_at is null and h.host_id is null as working, coalesce(own.time_zone, g.time_zone) as time_zone
		from member m
		join member h on h.club_id = m.club_id and h.id = m.host_id
		left join garage own on own.club_id = m.club_id and own.id = m.garage_id
		left join garage g on g.club_id = h.club_id and g.id = h.garage_id
		where m.club_id = $1 and (m.id = $2 or m.number = $3)`, b.Club, ref.ID, ref.Name)
}

// MayHost reports whether h can answer for a guest: tools are lent to guests on
// the host's word, so they must be able to borrow themselves.
func (h Host) MayHost() bool {
	return h.Working && slices.ContainsFunc([]string{"member", "tool_keeper", "officer"}, func(r string) bool { return slices.Contains(h.Roles, r) })
}

// StayUntil is the stay with h until the end of lastDay in the first of zones
// that is known, or what is wrong with it; pointers are named by at.
func StayUntil(h Host, at string, lastDay, now time.Time, zones ...*string) (Stay, []problem.Fault) {
	var faults []problem.Fault
	if !h.MayHost() {
		faults = append(faults, problem.Fault{Pointer: "/host", Detail: "member " + h.Number + " cannot answer for a guest: a host is a working member, keeper or officer, and no guest themselves"})
	}
	zone := time.UTC
	for _, name := range zones {
		if name == nil {
			continue
		}
		if z, err := time.LoadLocation(*name); err == nil {
			zone = z
			break
		}
	}
	s := Stay{HostID: h.ID, LastDay: lastDay, Until: DayBegins(zone, lastDay.AddDate(0, 0, 1)).UTC()}
	today := now.In(zone)
	farthest := time.Date(today.Year(), today.Month(), today.Day()+LongestStay, 0, 0, 0, 0, time.UTC)
	switch {
	case !s.Until.After(now):
		faults = append(faults, problem.Fault{Pointer: at, Detail: "is over already; give today or a later day"})
	case lastDay.After(farthest):
		faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("is too far ahead: a guest stays %d days at a time, until %s at most; the stay can be extended", LongestStay, farthest.Format(time.DateOnly))})
	}
	return s, faults
}

// Stays is m's stay; false when m is no guest.
func (m Member) Stays() (Stay, bool) {
	if m.HostID == nil || m.GuestLastDay == nil || m.GuestUntil == nil {
		return Stay{}, false
	}
	return Stay{HostID: *m.HostID, LastDay: *m.GuestLastDay, Until: *m.GuestUntil}, true
}

// AsGuest is m with the stay s.
func (m Member) AsGuest(s Stay) Member {
	m.HostID, m.GuestLastDay, m.GuestUntil = &s.HostID, &s.LastDay, &s.Until
	return m
}

// AsMember is m without a stay that ends.
func (m Member) AsMember() Member {
	m.HostID, m.GuestLastDay, m.GuestUntil = nil, nil, nil
	return m
}

// AddGuest creates m, who is a guest.
func AddGuest(tx *postgres.Tx, actor uuid.UUID, m Member) {
	tx.Queue(`insert into member (club_id, id, number, name, roles, garage_id, host_id, guest_last_day, guest_until) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, m.ID, m.Number, m.Name, m.Roles, m.GarageID, m.HostID, m.GuestLastDay, m.GuestUntil).
		Refuse("member_number", numberTaken(m.Number))
	journal.Append(tx, journal.Event{Type: "member.created", Subject: m.ID, Version: m.Version, Audience: journal.ForClub, Actor: actor}, m.personless())
}

// ExtendStay writes m, who is locked, as its next version with the stay s, by
// actor, who is their host or an officer.
func ExtendStay(tx *postgres.Tx, actor uuid.UUID, officer bool, m Member, s Stay) (Member, error) {
	was, isGuest := m.Stays()
	switch {
	case !isGuest:
		return m, problem.New(problem.NotAllowedNow, "Member %s is no guest, so there is no stay to extend.", m.Number)
	case was.HostID != actor && !officer:
		return m, problem.New(problem.MissingRole, "A guest's stay is extended by their host or by an officer. Ask one of them.")
	case m.DisabledAt != nil:
		return m, problem.New(problem.NotAllowedNow, "This guest was disabled. An officer can enable them again first.")
	case s.LastDay.Before(was.LastDay):
		return m, problem.Invalid(problem.Fault{Pointer: "/last_day", Detail: "is before the last day of the stay (" + was.LastDay.Format(time.DateOnly) + "); this only extends it"})
	case s.LastDay.Equal(was.LastDay):
		return m, nil
	}
	m = m.AsGuest(s)
	m.Version++
	tx.Queue(`update member set guest_last_day = $3, guest_until = $4, version = $5 where club_id = $1 and id = $2`, tx.Club, m.ID, m.GuestLastDay, m.GuestUntil, m.Version)
	journal.Append(tx, journal.Event{Type: "member.stay_extended", Subject: m.ID, Version: m.Version, Audience: journal.ForClub, Actor: actor}, m.personless())
	return m, nil
}

// BeyondStay is what is told when the constraint guest_stays_as_long refuses to
// book or hand out a tool for a guest beyond their stay.
func BeyondStay() *problem.Error {
	return problem.New(problem.NotAllowedNow, "That ends after the guest's stay does, and nothing is lent to them beyond it. Choose an earlier end, or let their host or an officer extend the stay.")
}
