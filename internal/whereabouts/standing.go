package whereabouts

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Standing is where one tool is and who has it next.
type Standing struct {
	ToolID       uuid.UUID
	State        string
	GarageID     uuid.UUID // where it is when it is in the house
	GarageCode   string
	GarageName   string
	TimeZone     string
	ModelCode    string
	NeedsShowing bool // only for who was shown how, by certificate

	LoanID       *uuid.UUID // what follows is of the loan, nil when it is in the house
	HolderID     *uuid.UUID
	HolderNumber *string
	HolderName   *string
	HostID       *uuid.UUID
	HostNumber   *string
	HostName     *string
	CollectedAt  *time.Time
	DueAt        *time.Time

	NextReservationID *uuid.UUID // what follows is of the next promise, nil without one
	NextID            *uuid.UUID
	NextNumber        *string
	NextName          *string
	NextHostID        *uuid.UUID
	NextHostNumber    *string
	NextHostName      *string
	NextFrom          *time.Time
	NextUntil         *time.Time
	NextEndangered    *string
}

// FindStanding asks where a tool is. Served by loan_open and booking_next.
func FindStanding(b *postgres.Batch, tool postgres.Ref, now time.Time) *postgres.Rows[Standing] {
	return postgres.Query[Standing](b, `
		select t.id as tool_id, t.state, g.id as garage_id, g.code as garage_code, g.name as garage_name, g.time_zone, m.code as model_code, m.certificate_needed as needs_showing,
		       l.id as loan_id, w.id as holder_id, w.number as holder_number, w.name as holder_name, h.id as host_id, h.number as host_number, h.name as host_name, l.collected_at, lb.ends_at as due_at,
		       n.reservation_id as next_reservation_id, nw.id as next_id, nw.number as next_number, nw.name as next_name,
		       nh.id as next_host_id, nh.number as next_host_number, nh.name as next_host_name, n.begins_at as next_from, n.ends_at as next_until, n.endangered as next_endangered
		from tool t
		join tool_model m on m.club_id = t.club_id and m.id = t.model_id
		join garage g on g.club_id = t.club_id and g.id = coalesce(t.place_garage_id, t.garage_id)
		left join loan l on l.club_id = t.club_id and l.tool_id = t.id and l.ended is null
		left join booking lb on lb.club_id = l.club_id and lb.reservation_id = l.reservation_id and lb.line = l.line
		left join member w on w.club_id = l.club_id and w.id = l.member_id
		left join member h on h.club_id = w.club_id and h.id = w.host_id
		left join lateral (
			select b.reservation_id, b.begins_at, b.ends_at, b.endangered from booking b
			where b.club_id = t.club_id and b.tool_id = t.id and b.state = 'reserved' and b.ends_at > $4 order by b.begins_at limit 1) n on true
		left join reservation r on r.club_id = t.club_id and r.id = n.reservation_id
		left join member nw on nw.club_id = r.club_id and nw.id = r.member_id
		left join member nh on nh.club_id = nw.club_id and nh.id = nw.host_id
		where t.club_id = $1 and (t.id = $2 or t.number = $3)`, b.Club, tool.ID, tool.Name, now)
}

// IsOut reports whether somebody has it.
func (s Standing) IsOut() bool { return s.LoanID != nil }

// IsLate reports whether it is out and was due before now.
func (s Standing) IsLate(now time.Time) bool { return s.IsOut() && s.DueAt.Before(now) }

func named(name, number, hostName, hostNumber *string) string {
	who := *name + " (" + *number + ")"
	if hostName != nil && hostNumber != nil {
		who += ", guest of " + *hostName + " (" + *hostNumber + ")"
	}
	return who
}

// Text tells where it is and who has it next.
func (s Standing) Text(now time.Time) string {
	zone, err := time.LoadLocation(s.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	text := ""
	switch {
	case s.IsOut():
		due := ", due "
		if s.IsLate(now) {
			due = ", late since "
		}
		text = "With " + named(s.HolderName, s.HolderNumber, s.HostName, s.HostNumber) + " since " + At(*s.CollectedAt, now, zone) + due + At(*s.DueAt, now, zone) + "."
	case s.State == "lost":
		text = "Lost; it was last at " + s.GarageName + "."
	case s.State == "retired":
		text = "Retired, at " + s.GarageName + "."
	case s.State == "quarantine":
		text = "At " + s.GarageName + ", in quarantine until it is inspected."
	default:
		text = "At " + s.GarageName + "."
	}
	if s.NextReservationID != nil {
		text += fmt.Sprintf(" Next for %s, %s to %s.", named(s.NextName, s.NextNumber, s.NextHostName, s.NextHostNumber), At(*s.NextFrom, now, zone), At(*s.NextUntil, now, zone))
		if s.NextEndangered != nil {
			text = text[:len(text)-1] + "; " + dangers[*s.NextEndangered] + "."
		}
	}
	return text
}
