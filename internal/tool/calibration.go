package tool

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Calibration is what a certificate says of a tool that measures. It is history:
// never changed, never deleted.
type Calibration struct {
	ID             uuid.UUID
	ToolID         uuid.UUID
	CalibratedOn   time.Time     // a day
	DueOn          time.Time     // a day, the last on which it still holds
	Expanded       length.Length `db:"expanded_nm"` // expanded uncertainty U
	CoverageFactor float64       // its k
	// Deviation is what the instrument shows too much, or what a gauge's marked size
	// is too much.
	Deviation   *length.Length `db:"deviation_nm"`
	Certificate string
	Entered     Entered
}

// Check reports what is wrong with c that the contract cannot tell. now bounds
// the day it was made by the last time zone in which that day has begun.
func (c Calibration) Check(now time.Time) []problem.Fault {
	var faults []problem.Fault
	if c.CalibratedOn.After(now.UTC().Add(14 * time.Hour)) {
		faults = append(faults, problem.Fault{Pointer: "/calibrated_on", Detail: "lies ahead; give the day on which it was calibrated"})
	}
	if c.DueOn.Before(c.CalibratedOn) {
		faults = append(faults, problem.Fault{Pointer: "/due_on", Detail: "must not be before calibrated_on (" + c.CalibratedOn.Format(time.DateOnly) + ")"})
	}
	if c.Expanded <= 0 {
		faults = append(faults, problem.Fault{Pointer: "/expanded_uncertainty", Detail: `must be greater than zero; it stands on the certificate as U, such as "0.002 mm" with k = 2`})
	}
	return faults
}

// MayCalibrate says why t has no calibrations, nil when it has.
func (t Tool) MayCalibrate() error {
	if t.Kind.Measures() {
		return nil
	}
	return problem.Invalid(problem.Fault{Pointer: "{tool}", Detail: "is " + t.Kind.words() + ", which does not measure; calibrations are for gauges, micrometers, calipers and bore gauges. What is to be said of this tool goes into its note"})
}

// ListCalibrations lists the calibrations of a tool, newest first, behind the
// one made on the day before with the id beforeID. Served by calibration_of_tool.
func ListCalibrations(b *postgres.Batch, ref postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Calibration] {
	return postgres.Query[Calibration](b, `
		select c.id, c.tool_id, c.calibrated_on, c.due_on, c.expanded_nm, c.coverage_factor, c.deviation_nm, c.certificate, c.entered
		from calibration c
		where c.club_id = $1 and c.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3)) and (c.calibrated_on, c.id) < ($4, $5)
		`+newest+` limit $6`, b.Club, ref.ID, ref.Name, before, beforeID, limit)
}

// Calibrate records c of t, which is locked. The tool's due date may change with
// it, so its version does.
func Calibrate(tx *postgres.Tx, actor uuid.UUID, t Tool, c Calibration) {
	tx.Queue(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, deviation_nm, certificate, entered, member_id, recorded_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		tx.Club, c.ID, t.ID, c.CalibratedOn, c.DueOn, c.Expanded, c.CoverageFactor, c.Deviation, c.Certificate, c.Entered, actor, tx.Now)
	tx.Queue(`update tool set version = version + 1 where club_id = $1 and id = $2`, tx.Club, t.ID)
	journal.Append(tx, journal.Event{Type: "tool.calibrated", Subject: t.ID, Version: t.Version + 1, Audience: journal.ForClub, Actor: actor}, c)
}
