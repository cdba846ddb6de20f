package reading

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// Observation is a standing reading with what is known of its instrument, for
// those who draw conclusions.
type Observation struct {
	ID                 uuid.UUID
	FeatureID          uuid.UUID
	Kind               string
	Size               length.Length `db:"size_nm"` // measured, or of the gauge
	Method             *string
	InstrumentID       *uuid.UUID
	Station            *string
	DirectionDegrees   *float64
	EndTried           *string
	PartLength         *bool
	Deburred           *bool
	Stage              string
	Surface            string
	TemperatureCelsius *float64
	TakenAt            time.Time
	MemberID           uuid.UUID
	Doubtful           *string // not to bear any decision until it is replaced

	// Of the instrument's or gauge's model; nil without an instrument or where the
	// model does not say.
	Resolution *length.Length `db:"resolution_nm"`
	GaugeClass *string
	GaugeSense *string

	// Of the last calibration on or before the (UTC) day on which the reading was
	// taken; nil when there was none.
	CalibratedOn   *time.Time
	DueOn          *time.Time
	Expanded       *length.Length `db:"expanded_nm"`
	CoverageFactor *float64
	Deviation      *length.Length `db:"deviation_nm"` // what the instrument reads too much
	// Findings are the deviations found by calibrations until that day, oldest first, of
	// the newest hundred; nil with fewer than two, which tell no drift.
	Findings []tool.Finding

	// Of the newest study of the instrument or gauge, whenever it was made: it tells
	// of the instrument, not of a day. Micrometres, nil without.
	RepeatabilityUm, RepeatabilityDof     *float64
	ReproducibilityUm, ReproducibilityDof *float64
	FeelUm                                *float64
}

// Standing returns the readings that are not void of the features whose ids
// the sub-select yields, doubtful ones included, in the order of time taken and id.
// In features, which is a constant of the program, $1 is the club and args begin with
// $2. Served by reading_of_feature, calibration_of_tool
// and gauge_study_of_tool.
func Standing(b *postgres.Batch, features string, args ...any) *postgres.Rows[Observation] {
	return postgres.Query[Observation](b, `
		select r.id, r.feature_id, r.kind, r.size_nm, r.method, r.instrument_id, r.station, r.direction_degrees, r.end_tried,
			r.part_length, r.deburred, r.stage, r.surface, r.temperature_celsius, r.taken_at, r.member_id, r.doubtful,
			m.resolution_nm, m.gauge_class, m.gauge_sense, c.calibrated_on, c.due_on, c.expanded_nm, c.coverage_factor, c.deviation_nm,
			h.findings, s.repeatability_um, s.repeatability_dof, s.reproducibility_um, s.reproducibility_dof, s.feel_um
		from reading r
		left join tool i on i.club_id = r.club_id and i.id = r.instrument_id
		left join tool_model m on m.club_id = i.club_id and m.id = i.model_id
		left join lateral (select * from calibration k
			where k.club_id = i.club_id and k.tool_id = i.id and k.calibrated_on <= (r.taken_at at time zone 'UTC')::date
			order by k.calibrated_on desc, k.id desc limit 1) c on true
		left join lateral (select jsonb_agg(jsonb_build_object('on', to_char(k.calibrated_on, 'YYYY-MM-DD"T00:00:00Z"'), 'deviation', k.deviation_nm,
				'expanded', k.expanded_nm, 'k', k.coverage_factor) order by k.calibrated_on, k.id) as findings
			from (select * from calibration k
				where k.club_id = i.club_id and k.tool_id = i.id and k.calibrated_on <= (r.taken_at at time zone 'UTC')::date and k.deviation_nm is not null
				order by k.calibrated_on desc, k.id desc limit 100) k having count(*) > 1) h on true
		left join lateral (select * from gauge_study s where s.club_id = i.club_id and s.tool_id = i.id
			order by s.studied_on desc, s.id desc limit 1) s on true
		where r.club_id = $1 and r.feature_id in (`+features+`)
		  and not exists (select from reading_void x where x.club_id = r.club_id and x.reading_id = r.id)
		order by r.taken_at, r.id`, append([]any{b.Club}, args...)...)
}
