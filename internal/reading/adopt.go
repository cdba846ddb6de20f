package reading

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Sound reports what is wrong with r, which comes from another club as a whole: it
// is held to what would be asked of an entry that makes it. shape is its feature's.
func (r Reading) Sound(shape string, now time.Time) []problem.Fault {
	e := Entry{Joint: "given", Method: valueOf(r.Method), Station: valueOf(r.Station), End: valueOf(r.EndTried), Direction: r.DirectionDegrees, Celsius: r.TemperatureCelsius,
		PartLength: r.PartLength, Deburred: r.Deburred, Stage: r.Stage, Surface: r.Surface, TakenAt: &r.TakenAt}
	size, err := length.New(r.Entered, length.Unit(r.EnteredUnit))
	if err != nil {
		return []problem.Fault{{Pointer: "/entered", Detail: err.Error()}}
	}
	if size.Length() != r.Size {
		return []problem.Fault{{Pointer: "/size_nm", Detail: "is not what was entered"}}
	}
	if r.Kind == Measured {
		e.Value = &size
	} else {
		e.GaugeSize, e.Result = &size, r.Kind
	}
	if r.Doubtful != nil && !slices.Contains([]string{FarFromNominal, OutOfRange}, *r.Doubtful) {
		return []problem.Fault{{Pointer: "/doubtful", Detail: "is no doubt that is known here"}}
	}
	for _, code := range r.Assumed {
		if _, known := assumptions[code]; !known && code != AssumedFeature {
			return []problem.Fault{{Pointer: "/assumed", Detail: "names what is not known here: " + code}}
		}
	}
	if e.Method == "" {
		return []problem.Fault{{Pointer: "/with", Detail: "is needed: with what it was read"}}
	}
	return append(e.check(now), e.usable("/with", e.Method, shape)...)
}

func valueOf(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// Adopt puts readings of another club on record, under the ids that they have, all
// received at one time by one member.
func Adopt(tx *postgres.Tx, actor uuid.UUID, readings []Reading) {
	if len(readings) == 0 {
		return
	}
	tx.Queue(insert, insertArgs(tx, readings)...).RunAgainOn("reading_pkey")
	journal.AppendAll(tx, journal.Event{Type: "reading.created", Version: 1, Audience: journal.ForClub, Actor: actor}, idsOf(readings),
		postgres.Column(readings, func(r Reading) any { return r }))
}

// AdoptVoids takes readings back that another club took back; why, it did not say.
func AdoptVoids(tx *postgres.Tx, actor uuid.UUID, voids []Withdrawn) {
	if len(voids) == 0 {
		return
	}
	tx.Queue(`insert into reading_void (club_id, reading_id, reason, at, member_id, replaced_by) select $1, id, $2, at, $3, by from unnest($4::uuid[], $5::timestamptz[], $6::uuid[]) as u(id, at, by) order by id`,
		tx.Club, elsewhere, actor, postgres.Column(voids, func(v Withdrawn) uuid.UUID { return v.ID }), postgres.Column(voids, func(v Withdrawn) time.Time { return v.At }),
		postgres.Column(voids, func(v Withdrawn) *uuid.UUID { return v.ReplacedBy })).RunAgainOn("reading_void_pkey")
	journal.AppendAll(tx, journal.Event{Type: "reading.voided", Version: 2, Audience: journal.ForClub, Actor: actor},
		postgres.Column(voids, func(v Withdrawn) uuid.UUID { return v.ID }), postgres.Column(voids, func(v Withdrawn) any { return v }))
}

// elsewhere is why what came voided is void.
const elsewhere = "Taken back in the club that it came from"

// Withdrawn is a reading that another club took back.
type Withdrawn struct {
	ID         uuid.UUID
	At         time.Time
	ReplacedBy *uuid.UUID
}
