// Package reading keeps what people observed of features: measured diameters,
// and how gauges of known size behaved.
//
// # Vocabulary
//
// A Reading is one observation, never edited. A wrong one is voided with a
// reason, or replaced in one step, and stays on record. An Entry is a reading as
// somebody entered it, with the people's own names; a Post is entries on
// their way into the record.
//
// # Counted once
//
// A reading's id is made by the client, so that a phone that lost the answer
// can send again. Id and Fingerprint together decide: the same id with the same
// content is the reading that exists, with other content it is refused. The
// fingerprint is of what the entry means (the feature, not the name it was
// called by), so that a reading sent again by another name of its joint is still
// the same.
//
// # Doubtful readings
//
// A size that cannot be of its feature (see doubt) is kept, with a question,
// but counts for nothing until it is replaced: by the right one, or by the same
// size again, which confirms it.
//
// # What it does not do
//
// It knows nothing of uncertainty and draws no conclusions: Standing hands the
// readings of features, with what is known of the instruments, to those who do.
package reading

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Kinds of readings: a measured value, or how a gauge behaved.
const (
	Measured = "measured"
	Go       = "go"
	NoGo     = "no_go"
	Starts   = "starts"
)

// Reading is one observation as it stands on record. Its words are those of the
// contract.
type Reading struct {
	ID                 uuid.UUID
	FeatureID          uuid.UUID
	Kind               string
	Size               length.Length // measured, or of the gauge
	Entered            string        // digits exactly as entered
	EnteredUnit        string
	Method             *string
	InstrumentID       *uuid.UUID // what measured, or the gauge
	Station            *string
	DirectionDegrees   *float64
	EndTried           *string
	PartLength         *bool
	Deburred           *bool
	Stage              string
	Surface            string
	TemperatureCelsius *float64 // nil: not stated, 20 is assumed
	TakenAt            time.Time
	ReceivedAt         time.Time
	MemberID           uuid.UUID
	Doubtful           *string  // code of a Remark; nil for a sound reading
	Assumed            []string // codes of Remarks
	Fingerprint        []byte   `json:"-"`
	// OriginID is the club where it was taken, with which the vehicle came; nil: here.
	OriginID *uuid.UUID `json:",omitempty"`

	// Of the feature; they never change.
	JointID     uuid.UUID
	FeatureCode string
	Nominal     *length.Length

	// Of its void; nil while the reading stands.
	VoidReason *string
	VoidAt     *time.Time
	ReplacedBy *uuid.UUID
}

// Version is 1 for a reading that stands and 2 for a voided one; nothing else
// ever changes.
func (r Reading) Version() int64 {
	if r.VoidAt != nil {
		return 2
	}
	return 1
}

// columns of a Reading; r is reading, f its feature, v its void.
const columns = `r.id, r.feature_id, r.kind, r.size_nm as size, r.entered::text as entered, r.entered_unit, r.method, r.instrument_id, r.station,
	r.direction_degrees, r.end_tried, r.part_length, r.deburred, r.stage, r.surface, r.temperature_celsius, r.taken_at, r.received_at, r.member_id,
	r.doubtful, r.assumed, r.fingerprint, r.origin_id, f.joint_id, f.code as feature_code, f.nominal_nm as nominal, v.reason as void_reason, v.at as void_at, v.replaced_by`

const withFeatureAndVoid = `
	join feature f on f.club_id = r.club_id and f.id = r.feature_id
	left join reading_void v on v.club_id = r.club_id and v.reading_id = r.id`

// Find looks readings up by their ids. Served by the primary key, one id at a
// time: with `id = any(…)` a plan that was made while the table was small reads
// the whole club and compares every row with every id (a batch of 500 took ten
// times as long).
func Find(b *postgres.Batch, ids ...uuid.UUID) *postgres.Rows[Reading] {
	return postgres.Query[Reading](b, `select `+columns+` from unnest($2::uuid[]) as wanted(id)
		cross join lateral (select * from reading where club_id = $1 and id = wanted.id limit 1) r `+withFeatureAndVoid, b.Club, ids)
}
