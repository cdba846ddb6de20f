package recommend

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/cutting"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
	"pinwright/internal/tool"
	"pinwright/internal/vehicle"
)

// JointRow is a joint with what its template says.
type JointRow struct {
	ID              uuid.UUID
	VehicleID       uuid.UUID
	VehicleCode     string
	Position        string
	TemplateID      uuid.UUID
	TemplateCode    string
	PinSeriesID     *uuid.UUID // the joint's own, else its template's
	Guidance        string     // the joint's own, else its template's; so is its offset
	OffsetNm        *int64
	Boss            vehicle.Boss
	Access          vehicle.Access
	CoatingNm       *int64
	SafetyCritical  bool
	Cautions        []string
	ClearanceMinNm  *int64 // the joint's own target, else its template's
	ClearanceMaxNm  *int64
	Fit             *string
	Thousandth      bool
	BellMouthNm     *int64
	OvalityNm       *int64
	SurfaceNm       *int64
	CrackedBoss     bool
	ThinBoss        bool
	LinedBush       bool
	HardenedBore    bool
	BentLeaf        bool
	Coated          bool
	SinteredBush    bool
	OutOfLine       bool
	BentPin         bool
	SteppedPin      bool
	TemplateVersion int64
	Version         int64
}

// FeatureRow is one cylinder of a joint.
type FeatureRow struct {
	ID        uuid.UUID
	JointID   uuid.UUID
	Code      string
	Shape     string
	Duty      string
	NominalNm *int64
	LengthNm  *int64
	Usual     bool
}

// StepRow is one step of a pin series.
type StepRow struct {
	SeriesID         uuid.UUID
	SeriesCode       string
	DeliveryDays     []int32
	Ordinal          int16
	Code             string
	PinNm            int64
	ToleranceLowerNm int64
	ToleranceUpperNm int64
	ReamerNm         *int64
	HeldReamerNm     *int64
	HeldSurface      *string
	HeldPartMinNm    *int64
	HeldPartMaxNm    *int64
	PriceMinor       *int64
	LeadDays         *int32
}

// CutterRow is a model of reamer of the club, with how many may be lent.
type CutterRow struct {
	ModelID     uuid.UUID
	Code        string
	SizeNm      int64
	Build       tool.Build
	ChargeMinor *int64
	InService   int64
	FreeFrom    *time.Time   // when the first of them is free; nil: now
	Learned     []LearnedCut `db:"-" json:",omitempty"` // of those in service that have cut
}

// GaugeRow is a model of pin or plug gauge, or of an instrument, that the club
// can lend.
type GaugeRow struct {
	Code         string
	Kind         string
	SizeNm       *int64
	GaugeClass   *string
	ResolutionNm *int64
}

// Snapshot is all that an answer rests on; its rows are filled when the batch
// was sent.
type Snapshot struct {
	Joints   *postgres.Rows[JointRow]
	Features *postgres.Rows[FeatureRow]
	Readings *postgres.Rows[reading.Observation]
	Steps    *postgres.Rows[StepRow]
	Cutters  *postgres.Rows[CutterRow]
	Cutting  *cutting.Known // what those cut; nil: nothing is known
	Gauges   *postgres.Rows[GaugeRow]
	Priors   *postgres.Rows[FormPrior] // the newest of each kind
	Named    *postgres.Rows[FormPrior] // asked for, in place of the newest; nil when none were
	// Stop, when set, is asked now and then whether the answer is still wanted;
	// if not, the error wraps wornsize.ErrStopped.
	Stop func() bool
}

const jointColumns = `j.id, j.vehicle_id, v.code as vehicle_code, j.position, j.template_id, t.code as template_code, coalesce(j.pin_series_id, t.pin_series_id) as pin_series_id,
	coalesce(j.guidance, t.guidance) as guidance, t.boss || j.boss as boss, t.access || j.access as access, j.coating_nm,
	coalesce(j.guidance_offset_nm, case when j.guidance is null then t.guidance_offset_nm end) as offset_nm, t.safety_critical, t.cautions,
	case when j.clearance_min_nm is not null or j.fit is not null or j.thousandth then j.clearance_min_nm else t.clearance_min_nm end as clearance_min_nm,
	case when j.clearance_min_nm is not null or j.fit is not null or j.thousandth then j.clearance_max_nm else t.clearance_max_nm end as clearance_max_nm,
	case when j.clearance_min_nm is not null or j.fit is not null or j.thousandth then j.fit else t.fit end as fit,
	case when j.clearance_min_nm is not null or j.fit is not null or j.thousandth then j.thousandth else t.thousandth end as thousandth,
	t.bell_mouth_nm, t.ovality_nm, t.surface_nm,
	coalesce((j.facts->>'cracked_boss')::boolean, false) as cracked_boss, coalesce((j.facts->>'thin_boss')::boolean, false) as thin_boss,
	coalesce((j.facts->>'lined_bush')::boolean, false) as lined_bush, coalesce((j.facts->>'hardened_bore')::boolean, false) as hardened_bore,
	coalesce((j.facts->>'bent_leaf')::boolean, false) as bent_leaf, coalesce((j.facts->>'coated')::boolean, false) as coated,
	coalesce((j.facts->>'sintered_bush')::boolean, false) as sintered_bush, coalesce((j.facts->>'leaves_out_of_line')::boolean, false) as out_of_line,
	coalesce((j.facts->>'bent_pin')::boolean, false) as bent_pin, coalesce((j.facts->>'stepped_pin')::boolean, false) as stepped_pin,
	t.version as template_version, j.version`

const jointTables = `joint j
	join vehicle v on v.club_id = j.club_id and v.id = j.vehicle_id
	join joint_template t on t.club_id = j.club_id and t.id = j.template_id`

// Joints named by id or position, of the vehicle named where one is.
const namedJoints = `select j.id from joint j join vehicle v on v.club_id = j.club_id and v.id = j.vehicle_id
	where j.club_id = $1 and (j.id = any($2::uuid[]) or j.position = any($3::text[])) and ($4::text is null or v.code = $4 or v.id::text = $4)`

// QueueSet gathers what is known of the joints named, of their vehicle where it
// is named too, with the pin series named, or their own. The joints are served by
// joint's primary key and joint_by_position, readings by reading_of_feature.
func QueueSet(b *postgres.Batch, joints []string, vehicle, series *string, now time.Time) *Snapshot {
	ids, names := split(joints)
	s := queue(b, namedJoints, []any{ids, names, vehicle})
	s.Steps = postgres.Query[StepRow](b, stepQuery+`
		where s.club_id = $1 and (($5::text is not null and (s.code = $5 or s.id::text = $5))
			or ($5 is null and s.id in (select coalesce(j.pin_series_id, t.pin_series_id) from `+jointTables+` where j.club_id = $1 and j.id in (`+namedJoints+`))))
		order by s.code, p.ordinal`, b.Club, ids, names, vehicle, series)
	s.Cutters, s.Cutting = cutters(b, now), cutting.QueueInService(b)
	s.Gauges = gauges(b)
	return s
}

// QueueFeature gathers what is known of the joint that the feature belongs to.
func QueueFeature(b *postgres.Batch, feature uuid.UUID) *Snapshot {
	return queueJoints(b, `select joint_id from feature where club_id = $1 and id = $2`, feature)
}

// queueJoints gathers what is known of the joints that the sub-select yields, which
// is a constant of the program in which $1 is the club and args begin with $2.
func queueJoints(b *postgres.Batch, joints string, args ...any) *Snapshot {
	s := queue(b, joints, args)
	s.Steps = postgres.Query[StepRow](b, stepQuery+`
		where s.club_id = $1 and s.id = any(array(select coalesce(j.pin_series_id, t.pin_series_id) from `+jointTables+` where j.club_id = $1 and j.id in (`+joints+`)))
		order by s.code, p.ordinal`, append([]any{b.Club}, args...)...)
	return s
}

// QueueJoint gathers what is known of the joints that the name may mean.
func QueueJoint(b *postgres.Batch, joint postgres.Ref) *Snapshot {
	return queueJoints(b, `select n.id from joint n where n.club_id = $1 and (n.id = $2 or n.position = $3)`, joint.ID, joint.Name)
}

// QueueVehicle gathers what is known of a vehicle's joints, those of
// vehicle.ListJoints. Served by joint_position.
func QueueVehicle(b *postgres.Batch, of postgres.Ref, after string, limit int) *Snapshot {
	return queueJoints(b, `select n.id from joint n where n.club_id = $1 and n.vehicle_id = (select c.id from vehicle c where c.club_id = $1 and (c.id = $2 or c.code = $3))
		and n.position > $4 order by n.position limit $5`, of.ID, of.Name, after, limit)
}

// of is what of the snapshot is about one joint.
func (s *Snapshot) of(joint JointRow) *Snapshot {
	out := &Snapshot{Joints: &postgres.Rows[JointRow]{Items: []JointRow{joint}}, Features: &postgres.Rows[FeatureRow]{},
		Readings: &postgres.Rows[reading.Observation]{}, Steps: &postgres.Rows[StepRow]{}, Priors: s.Priors, Named: s.Named, Stop: s.Stop}
	own := map[uuid.UUID]bool{}
	for _, f := range s.Features.Items {
		if f.JointID == joint.ID {
			own[f.ID] = true
			out.Features.Items = append(out.Features.Items, f)
		}
	}
	for _, r := range s.Readings.Items {
		if own[r.FeatureID] {
			out.Readings.Items = append(out.Readings.Items, r)
		}
	}
	for _, step := range s.Steps.Items {
		if joint.PinSeriesID != nil && step.SeriesID == *joint.PinSeriesID {
			out.Steps.Items = append(out.Steps.Items, step)
		}
	}
	return out
}

const stepQuery = `select s.id as series_id, s.code as series_code, s.delivery_days, p.ordinal, p.code, p.pin_nm, p.tolerance_lower_nm, p.tolerance_upper_nm, p.reamer_nm,
	p.held_reamer_nm, p.held_surface, p.held_part_min_nm, p.held_part_max_nm, p.price_minor, p.lead_days
	from pin_series s join pin_step p on p.club_id = s.club_id and p.series_id = s.id`

func queue(b *postgres.Batch, joints string, args []any) *Snapshot {
	all := append([]any{b.Club}, args...)
	return &Snapshot{
		Joints: postgres.Query[JointRow](b, `select `+jointColumns+` from `+jointTables+` where j.club_id = $1 and j.id in (`+joints+`) order by v.code, j.position, j.id`, all...),
		Features: postgres.Query[FeatureRow](b, `select f.id, f.joint_id, f.code, f.shape, f.duty, f.nominal_nm, f.length_nm, f.usual
			from feature f where f.club_id = $1 and f.joint_id in (`+joints+`) order by f.joint_id, f.ordinal`, all...),
		Readings: reading.Standing(b, `select f.id from feature f where f.club_id = $1 and f.joint_id in (`+joints+`)`, args...),
		Priors:   newestPriors(b, joints, all),
	}
}

// cutters lists the reamers that may be lent, by model. Served by
// tool_model_kind_size and tool_of_model.
func cutters(b *postgres.Batch, now time.Time) *postgres.Rows[CutterRow] {
	return postgres.Query[CutterRow](b, `
		select m.id as model_id, m.code, m.size_nm, m.build, m.charge_minor, count(t.id) as in_service,
			nullif(min(coalesce((select max(upper(k.held)) from booking k where k.club_id = t.club_id and k.tool_id = t.id and k.state in ('reserved', 'out') and k.held @> $2::timestamptz), '-infinity')) filter (where t.id is not null), '-infinity') as free_from
		from tool_model m left join tool t on t.club_id = m.club_id and t.model_id = m.id and t.state = 'in_service'
		where m.club_id = $1 and m.kind = 'reamer' and m.size_nm is not null
		group by m.club_id, m.id, m.code, m.size_nm, m.build, m.charge_minor order by m.size_nm, m.code`, b.Club, now)
}

func gauges(b *postgres.Batch) *postgres.Rows[GaugeRow] {
	return postgres.Query[GaugeRow](b, `
		select m.code, m.kind, m.size_nm, m.gauge_class, m.resolution_nm from tool_model m
		where m.club_id = $1 and m.kind in ('pin_gauge', 'plug_gauge', 'bore_gauge', 'inside_micrometer', 'telescoping_gauge')
		  and exists (select from tool t where t.club_id = m.club_id and t.model_id = m.id and t.state = 'in_service')
		order by m.kind, m.size_nm, m.code`, b.Club)
}

// split tells ids from names.
func split(refs []string) (ids []uuid.UUID, names []string) {
	ids, names = []uuid.UUID{}, []string{}
	for _, text := range refs {
		if r := postgres.ParseRef(text); r.ID != nil {
			ids = append(ids, *r.ID)
		} else {
			names = append(names, text)
		}
	}
	return ids, names
}
