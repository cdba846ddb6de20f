// Package pinseries is the ladder of sizes that a supplier offers for joints of
// one kind.
//
// A series is steps: the standard pin first, then oversizes, each larger than
// the one before and each with the reamer that cuts for it. A reamer is larger
// than its pin by the play that is wanted. Beside them stand the delivery times
// that were recorded for the supplier. A series does not change; a supplier's new
// ladder is a new series.
package pinseries

import (
	"fmt"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Series is a ladder of sizes with its steps, the standard pin first.
type Series struct {
	ID           uuid.UUID
	Code         string
	Name         string
	Supplier     string
	DeliveryDays []int32 // recorded, in days
	Steps        []Step
	Version      int64
}

// Step is one size of a series; lengths are nanometres.
type Step struct {
	Code             string `json:"code"`
	PinNM            int64  `json:"pin_nm"`
	ToleranceLowerNM int64  `json:"tolerance_lower_nm"` // of the pin: its least size minus PinNM
	ToleranceUpperNM int64  `json:"tolerance_upper_nm"`
	ReamerNM         *int64 `json:"reamer_nm"`
	PriceMinor       *int64 `json:"price_minor"` // of one pin, in the club's currency
	LeadDays         *int32 `json:"lead_days"`

	HeldReamerNM  *int64  `json:"held_reamer_nm"`   // cuts held bores for this pin; nil: they stay as they are
	HeldSurface   *string `json:"held_surface"`     // of the part that a held bore grips: plain, knurled or splined; nil: plain
	HeldPartMinNM *int64  `json:"held_part_min_nm"` // of that part, over its crests; nil: the pin itself
	HeldPartMaxNM *int64  `json:"held_part_max_nm"`
}

// The tolerance of a pin that none is told of: ground to half a thousandth of
// an inch, never over size. Common practice, no published source.
const (
	DefaultToleranceUpper length.Length = 0
	DefaultToleranceLower length.Length = -12_700
)

// maxTolerance bounds a tolerance; more is a slip of the unit.
const maxTolerance length.Length = 1_000_000

const selectSeries = `select s.id, s.code, s.name, s.supplier, s.delivery_days, s.version,
  (select coalesce(json_agg(p order by p.ordinal), '[]') from pin_step p where p.club_id = s.club_id and p.series_id = s.id) as steps
from pin_series s `

// FindAll looks series up by ids and codes.
func FindAll(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Series] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Series](b, selectSeries+`where s.club_id = $1 and (s.id = any($2) or s.code = any($3))`, b.Club, ids, codes)
}

// Find looks a series up by id or code.
func Find(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Series] {
	return postgres.Query[Series](b, selectSeries+`where s.club_id = $1 and (s.id = $2 or s.code = $3)`, b.Club, ref.ID, ref.Name)
}

// List lists series by code, after the code given. Served by pin_series_code.
func List(b *postgres.Batch, after string, limit int) *postgres.Rows[Series] {
	return postgres.Query[Series](b, selectSeries+`where s.club_id = $1 and s.code > $2 order by s.code limit $3`, b.Club, after, limit)
}

// Step returns the step of that code, nil for none.
func (s Series) Step(code string) *Step {
	for i, step := range s.Steps {
		if step.Code == code {
			return &s.Steps[i]
		}
	}
	return nil
}

// Check reports what is wrong with s that the contract cannot tell.
func (s Series) Check() []problem.Fault {
	var faults []problem.Fault
	fault := func(i int, member, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/steps/%d/%s", i, member), Detail: fmt.Sprintf(format, args...)})
	}
	seen := map[string]bool{}
	for i, step := range s.Steps {
		if seen[step.Code] {
			fault(i, "code", "%q stands twice; give each step a code of its own", step.Code)
		}
		seen[step.Code] = true
		switch {
		case step.PinNM <= 0:
			fault(i, "pin", "must be larger than zero")
		case i > 0 && step.PinNM <= s.Steps[i-1].PinNM:
			fault(i, "pin", "must be larger than the pin of the step before (%s); list the steps from the standard pin upwards", length.Length(s.Steps[i-1].PinNM).Text(length.Millimetre))
		}
		switch lower, upper := length.Length(step.ToleranceLowerNM), length.Length(step.ToleranceUpperNM); {
		case lower.Abs() > maxTolerance:
			fault(i, "pin_tolerance_lower", "must be within 1 mm of the pin's size; check the unit")
		case upper.Abs() > maxTolerance:
			fault(i, "pin_tolerance_upper", "must be within 1 mm of the pin's size; check the unit")
		case lower > upper:
			fault(i, "pin_tolerance_lower", "must not be above pin_tolerance_upper (%s); give it with its sign, as in \"-0.01 mm\"", upper.Text(length.Millimetre))
		}
		switch {
		case step.ReamerNM == nil && i > 0:
			fault(i, "reamer", "is needed for an oversize: the reamer that cuts for this pin")
		case step.ReamerNM != nil && *step.ReamerNM <= step.PinNM:
			fault(i, "reamer", "must be larger than its pin (%s), or the pin would not go in", length.Length(step.PinNM).Text(length.Millimetre))
		}
		faults = append(faults, step.checkHeld(i)...)
	}
	return faults
}

// checkHeld reports what is wrong with the part that held bores grip.
func (step Step) checkHeld(i int) []problem.Fault {
	var faults []problem.Fault
	fault := func(member, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/steps/%d/%s", i, member), Detail: fmt.Sprintf(format, args...)})
	}
	low, high := step.HeldPartMinNM, step.HeldPartMaxNM
	gripped := step.PinNM
	switch {
	case (low == nil) != (high == nil):
		fault("held_part_min", "and held_part_max go together: give both, over the crests of a knurl or spline")
	case low == nil && step.HeldSurface != nil && *step.HeldSurface != "plain":
		fault("held_part_min", "is needed for a %s pin, with held_part_max: its size over the crests", *step.HeldSurface)
	case low != nil && *low > *high:
		fault("held_part_max", "must not be below held_part_min")
	case low != nil && length.Length(*low-step.PinNM).Abs() > 2*maxTolerance:
		fault("held_part_min", "must be within 2 mm of the pin's size; check the unit")
	case low != nil:
		gripped = *high
	}
	switch r := step.HeldReamerNM; {
	case r == nil:
	case *r <= 0:
		fault("held_reamer", "must be larger than zero")
	case *r >= gripped:
		fault("held_reamer", "must be smaller than what is pressed into its hole (%s), or the pin would turn in it; the running bores' reamer belongs in reamer", length.Length(gripped).Text(length.Millimetre))
	}
	return faults
}

// Add creates s, which was checked.
func Add(tx *postgres.Tx, actor uuid.UUID, s Series) {
	tx.Queue(`insert into pin_series (club_id, id, code, name, supplier, delivery_days) values ($1, $2, $3, $4, $5, $6)`,
		tx.Club, s.ID, s.Code, s.Name, s.Supplier, s.DeliveryDays).
		Refuse("pin_series_code", problem.New(problem.NameTaken, "Another pin series has the code %q. Choose another.", s.Code))
	for i, step := range s.Steps {
		tx.Queue(`insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm, reamer_nm, price_minor, lead_days,
			held_reamer_nm, held_surface, held_part_min_nm, held_part_max_nm) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			tx.Club, s.ID, i, step.Code, step.PinNM, step.ToleranceLowerNM, step.ToleranceUpperNM, step.ReamerNM, step.PriceMinor, step.LeadDays,
			step.HeldReamerNM, step.HeldSurface, step.HeldPartMinNM, step.HeldPartMaxNM)
	}
	journal.Append(tx, journal.Event{Type: "pin_series.created", Subject: s.ID, Version: s.Version, Audience: journal.ForClub, Actor: actor}, s)
}
