package tool

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// StudyKind says how a study was made.
type StudyKind string

// The kinds of study: readings of an instrument, decisions of a gauge.
const (
	GaugeStudy     StudyKind = "gauge"
	AttributeStudy StudyKind = "attribute"
)

// Study is a gauge study of a tool that measures. It is history: never changed, never
// deleted; the newest counts.
type Study struct {
	ID        uuid.UUID
	ToolID    uuid.UUID
	Kind      StudyKind
	StudiedOn time.Time       // a day
	Posted    json.RawMessage // as posted, people as letters; empty in lists
	Engine    string          // that worked out the numbers beside it
	// What an uncertainty takes, standard deviations in micrometres. A gauge study has a
	// repeatability, an attribute study may have a feel.
	RepeatabilityUm, RepeatabilityDof     *float64
	ReproducibilityUm, ReproducibilityDof *float64 // nil with one person; no degrees where it is 0
	FeelUm                                *float64
}

// MayStudy says why t has no studies of the kind, nil when it has.
func (t Tool) MayStudy(kind StudyKind) error {
	refuse := func(pointer, detail string) error {
		return problem.Invalid(problem.Fault{Pointer: pointer, Detail: detail})
	}
	switch {
	case !t.Kind.Measures():
		return refuse("{tool}", "is "+t.Kind.words()+", which does not measure; studies are of gauges, micrometers, calipers and bore gauges")
	case t.Kind.IsGauge() && kind == GaugeStudy:
		return refuse("/gauge_study", "is of an instrument that is read; "+t.Kind.words()+" goes or does not go, so send attribute_study")
	case !t.Kind.IsGauge() && kind == AttributeStudy:
		return refuse("/attribute_study", "is of a gauge that goes or does not go; "+t.Kind.words()+" is read, so send gauge_study")
	}
	return nil
}

// CheckStudiedOn reports a day that has not begun anywhere.
func (s Study) CheckStudiedOn(now time.Time) []problem.Fault {
	if s.StudiedOn.After(now.UTC().Add(14 * time.Hour)) {
		return []problem.Fault{{Pointer: "/studied_on", Detail: "lies ahead; give the day on which the readings were taken"}}
	}
	return nil
}

// studies selects studies, with what stands for posted.
func studies(posted string) string {
	return `select s.id, s.tool_id, s.kind, s.studied_on, ` + posted + ` as posted, s.engine, s.repeatability_um, s.repeatability_dof, s.reproducibility_um, s.reproducibility_dof, s.feel_um
	from gauge_study s where s.club_id = $1`
}

// ListStudies lists the studies of a tool without what was posted, newest first, behind
// the one made on the day before with the id beforeID. Served by gauge_study_of_tool.
func ListStudies(b *postgres.Batch, ref postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Study] {
	return postgres.Query[Study](b, studies("null::jsonb")+` and s.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3)) and (s.studied_on, s.id) < ($4, $5)
		order by s.studied_on desc, s.id desc limit $6`, b.Club, ref.ID, ref.Name, before, beforeID, limit)
}

// FindStudy looks a study up by its id.
func FindStudy(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Study] {
	return postgres.Query[Study](b, studies("s.posted")+` and s.id = $2`, b.Club, id)
}

// RecordStudy records s of t, which is locked. Nothing that a tool shows changes with it.
func RecordStudy(tx *postgres.Tx, actor uuid.UUID, t Tool, s Study) {
	tx.Queue(`insert into gauge_study (club_id, id, tool_id, kind, studied_on, posted, engine, repeatability_um, repeatability_dof, reproducibility_um, reproducibility_dof, feel_um, member_id, recorded_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
		tx.Club, s.ID, t.ID, s.Kind, s.StudiedOn, s.Posted, s.Engine, s.RepeatabilityUm, s.RepeatabilityDof, s.ReproducibilityUm, s.ReproducibilityDof, s.FeelUm, actor, tx.Now)
	journal.Append(tx, journal.Event{Type: "gauge_study.created", Subject: s.ID, Version: 1, Audience: journal.ForClub, Actor: actor}, s)
}

// History lists the calibrations of a tool, newest first, at most 1,000.
// Served by calibration_of_tool.
func History(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Calibration] {
	return postgres.Query[Calibration](b, `
		select c.id, c.tool_id, c.calibrated_on, c.due_on, c.expanded_nm, c.coverage_factor, c.deviation_nm, c.certificate, c.entered
		from calibration c
		where c.club_id = $1 and c.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3))
		`+newest+` limit 1000`, b.Club, ref.ID, ref.Name)
}
