package repair

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// States of a repair.
const (
	Open      = "open"
	Signed    = "signed"
	Abandoned = "abandoned"
)

// Repair is a set of joints of one vehicle that are repaired together.
type Repair struct {
	ID               uuid.UUID
	Number           int
	VehicleID        uuid.UUID
	VehicleCode      string `json:"-"`
	ProcedureID      uuid.UUID
	ProcedureCode    string `json:"-"`
	Edition          int
	GarageID         uuid.UUID
	GarageCode       string `json:"-"`
	TimeZone         string `json:"-"`
	LeadID           uuid.UUID
	State            string
	Safety           bool
	RecommendationID *uuid.UUID
	BeganAt          time.Time
	Note             string `json:"-"` // free text may name people, and the journal keeps no names
	SignedAt         *time.Time
	SignedBy         *uuid.UUID
	SecondedAt       *time.Time
	SecondedBy       *uuid.UUID
	AbandonedAt      *time.Time
	AbandonedBy      *uuid.UUID
	AbandonReason    string `json:"-"`
	Version          int64
}

// Label is the number as people say it.
func (r Repair) Label() string { return "R" + strconv.Itoa(r.Number) }

var label = regexp.MustCompile(`^[Rr]([1-9][0-9]{0,8})$`)

// Named reads an id or a number such as R12.
func Named(text string) (id *uuid.UUID, number *int) {
	if at := label.FindStringSubmatch(text); at != nil {
		n, _ := strconv.Atoi(at[1]) // nine digits at most
		return nil, &n
	}
	return postgres.ParseRef(text).ID, nil
}

// repairColumns has the names by their keys: a page of repairs has few of each.
const repairColumns = `r.id, r.number, r.vehicle_id, (select v.code from vehicle v where v.club_id = r.club_id and v.id = r.vehicle_id) as vehicle_code,
	r.procedure_id, (select p.code from procedure p where p.club_id = r.club_id and p.id = r.procedure_id) as procedure_code, r.edition,
	r.garage_id, (select g.code from garage g where g.club_id = r.club_id and g.id = r.garage_id) as garage_code, (select g.time_zone from garage g where g.club_id = r.club_id and g.id = r.garage_id) as time_zone, r.lead_id,
	r.state, r.safety, r.recommendation_id, r.began_at, r.note, r.signed_at, r.signed_by, r.seconded_at, r.seconded_by, r.abandoned_at, r.abandoned_by, r.abandon_reason, r.version`

// longAgo is how old an act may be that is told only now.
const longAgo = 30 * 24 * time.Hour

// skew is how far a phone's clock may run ahead.
const skew = 5 * time.Minute

// Happened is when something happened that is told at now: said, or now when nothing
// is said. A time a little ahead is a clock that is, and counts as now.
func Happened(said *time.Time, now time.Time) (time.Time, []problem.Fault) {
	at := now.UTC().Truncate(time.Microsecond)
	switch {
	case said == nil || said.After(now) && !said.After(now.Add(skew)):
		return at, nil
	case said.After(now):
		return at, []problem.Fault{{Pointer: "/occurred_at", Detail: "lies ahead; leave it out when it happens now, and look at the clock of the device"}}
	case said.Before(now.Add(-longAgo)):
		return at, []problem.Fault{{Pointer: "/occurred_at", Detail: fmt.Sprintf("is more than %d days ago, which is too long to record it now", int(longAgo.Hours()/24))}}
	}
	return said.UTC().Truncate(time.Microsecond), nil
}
