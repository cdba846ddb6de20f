package reading

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Observation is a standing reading with what is known of the instrument, for
// those who draw conclusions.
type Observation struct {
	Reading
	// Of the instrument's or gauge's model; nil without an instrument or where the
	// model does not say.
	InstrumentKind *string
	GaugeClass     *string // XXX, XX, X, Y, Z or ZZ
	GaugeSense     *string // plus or minus
	Resolution     *length.Length
	// Of the last calibration on or before the (UTC) day on which the reading was
	// taken; nil when there was none. It had lapsed when DueOn lies before that day.
	CalibrationID *uuid.UUID
	CalibratedOn  *time.Time
	DueOn         *time.Time
	Expanded      *length.Length // expanded uncertainty
	Coverage      *float64       // its coverage factor
	Deviation     *length.Length // what the instrument reads too much
}

// Sound reports whether o may bear a decision: a doubtful reading waits for its
// replacement.
func (o Observation) Sound() bool { return o.Doubtful == nil }

// Selection names features: any of Features, and all those of Joints (by id or
// position). Vehicle narrows Joints; without it a position that several vehicles
// have selects them all.
type Selection struct {
	Features []uuid.UUID
	Joints   []postgres.Ref
	Vehicle  *postgres.Ref
}

// ForFeatures returns the readings of the selected features that are not void,
// doubtful ones included, in the order of feature, time taken and id. Served by
// the primary keys, joint_by_position or joint_position, feature_code,
// reading_of_feature and calibration_of_tool.
func ForFeatures(b *postgres.Batch, s Selection) *postgres.Rows[Observation] {
	jointIDs, positions := []uuid.UUID{}, []string{}
	for _, ref := range s.Joints {
		if ref.ID != nil {
			jointIDs = append(jointIDs, *ref.ID)
		} else {
			positions = append(positions, ref.Name)
		}
	}
	features := s.Features
	if features == nil {
		features = []uuid.UUID{}
	}
	var vehicle postgres.Ref
	if s.Vehicle != nil {
		vehicle = *s.Vehicle
	}
	return postgres.Query[Observation](b, `
		with chosen as (
			select id from feature where club_id = $1 and id = any($2)
			union
			select f.id from joint j join feature f on f.club_id = j.club_id and f.joint_id = j.id
			where j.club_id = $1 and (j.id = any($3) or j.position = any($4))
			  and (not $5 or j.vehicle_id = (select id from vehicle where club_id = $1 and (id = $6 or code = $7))))
		select `+columns+`, m.kind as instrument_kind, m.gauge_class, m.gauge_sense, m.resolution_nm as resolution,
			k.id as calibration_id, k.calibrated_on, k.due_on, k.expanded_nm as expanded, k.coverage_factor as coverage, k.deviation_nm as deviation
		from chosen join reading r on r.club_id = $1 and r.feature_id = chosen.id `+withFeatureAndVoid+`
		left join tool t on t.club_id = r.club_id and t.id = r.instrument_id
		left join tool_model m on m.club_id = t.club_id and m.id = t.model_id
		left join lateral (
			select * from calibration c where c.club_id = t.club_id and c.tool_id = t.id and c.calibrated_on <= (r.taken_at at time zone 'UTC')::date
			order by c.calibrated_on desc, c.id desc limit 1) k on true
		where v.reading_id is null
		order by r.feature_id, r.taken_at, r.id`,
		b.Club, features, jointIDs, positions, s.Vehicle != nil, vehicle.ID, vehicle.Name)
}

// Epochs tells which readings of one feature are of one size: it returns the
// number of the epoch of each observation, from 0, of observations of one feature
// in the order that ForFeatures gives. A new epoch begins
//
//   - with the first reading of a reamed (or assembled) bore after readings of
//     the bore as found or cleaned: a reamer has cut it;
//   - with a reading of the reamed bore after one of the assembled joint: it was
//     cut again;
//   - with a reading as found or cleaned after one that was reamed or
//     assembled: it has worn since.
func Epochs(of []Observation) []int {
	out := make([]int, len(of))
	for i := 1; i < len(of); i++ {
		before, now := of[i-1].Stage, of[i].Stage
		out[i] = out[i-1]
		if cut(before) != cut(now) || before == "assembled" && now == "reamed" {
			out[i]++
		}
	}
	return out
}

func cut(stage string) bool { return stage == "reamed" || stage == "assembled" }
