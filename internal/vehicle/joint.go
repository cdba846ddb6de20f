package vehicle

import (
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Joint is a pin in its bores at a position of a vehicle, with its features and
// with what it has from its template.
type Joint struct {
	ID           uuid.UUID
	VehicleID    uuid.UUID
	VehicleCode  string
	Position     string
	TemplateID   uuid.UUID
	TemplateCode string

	OwnPinSeriesID      *uuid.UUID // nil: the template's
	TemplatePinSeriesID *uuid.UUID
	OwnTarget           Target // zero: the template's
	TemplateTarget      Target

	Form           Form
	OwnMeans       Means // what it does not say is the template's
	TemplateMeans  Means
	CoatingNM      *int64 // what coatings still to come take from the clearance, on diameter
	SafetyCritical bool
	Cautions       []string

	Facts    Facts
	Features []Feature // in the template's order
	Version  int64
}

// Facts are what speaks against reaming, as seen on the part.
type Facts struct {
	CrackedBoss     bool `json:"cracked_boss,omitempty"`
	ThinBoss        bool `json:"thin_boss,omitempty"`
	SinteredBush    bool `json:"sintered_bush,omitempty"`
	LinedBush       bool `json:"lined_bush,omitempty"`
	HardenedBore    bool `json:"hardened_bore,omitempty"`
	BentLeaf        bool `json:"bent_leaf,omitempty"`
	LeavesOutOfLine bool `json:"leaves_out_of_line,omitempty"`
	Coated          bool `json:"coated,omitempty"`
	BentPin         bool `json:"bent_pin,omitempty"`
	SteppedPin      bool `json:"stepped_pin,omitempty"`
}

var selectJoint = `select j.id, j.vehicle_id, v.code as vehicle_code, j.position, j.template_id, t.code as template_code,
  j.pin_series_id as own_pin_series_id, t.pin_series_id as template_pin_series_id,
  ` + targetColumn("j", "own_target") + `, ` + targetColumn("t", "template_target") + `, ` + formColumn + `,
  ` + meansColumn("j", "own_means") + `, ` + meansColumn("t", "template_means") + `, j.coating_nm, t.safety_critical, t.cautions, j.facts, j.version,
  (select coalesce(json_agg(f order by f.ordinal), '[]') from feature f where f.club_id = j.club_id and f.joint_id = j.id) as features
from joint j
join vehicle v on v.club_id = j.club_id and v.id = j.vehicle_id
join joint_template t on t.club_id = j.club_id and t.id = j.template_id
`

// Target is the clearance wanted: the joint's own, else the template's, else
// none.
func (j Joint) Target() Target {
	if j.OwnTarget.IsZero() {
		return j.TemplateTarget
	}
	return j.OwnTarget
}

// Means is how the joint can be got at: what it says itself, else its template.
func (j Joint) Means() Means { return j.OwnMeans.over(j.TemplateMeans) }

// MostCoating bounds what coatings take, in nanometres; more is a slip of the unit.
const MostCoating = 5_000_000

// CheckMeans reports what is wrong with what j says of its means and its coating.
func (j Joint) CheckMeans() []problem.Fault {
	faults := j.Means().Check("", j.Nominal())
	if c := j.CoatingNM; c != nil && (*c < 0 || *c > MostCoating) {
		faults = append(faults, problem.Fault{Pointer: "/coating", Detail: "must be from 0 to 5 mm: it is what coatings take from the clearance, on diameter"})
	}
	return faults
}

// PinSeriesID is the series that counts for the joint: its own, else the
// template's, else nil.
func (j Joint) PinSeriesID() *uuid.UUID {
	if j.OwnPinSeriesID == nil {
		return j.TemplatePinSeriesID
	}
	return j.OwnPinSeriesID
}

// Nominal is the joint's nominal size in nanometres: that of its usual feature;
// nil when it is not known.
func (j Joint) Nominal() *int64 { return nominalOf(j.Cylinders()) }

// Cylinders are the joint's features without their ids.
func (j Joint) Cylinders() []Cylinder {
	out := make([]Cylinder, len(j.Features))
	for i, f := range j.Features {
		out[i] = f.Cylinder
	}
	return out
}

// WithNominal returns j with another nominal size: every feature takes it that
// had the old one or none.
func (j Joint) WithNominal(nominal *int64) Joint {
	sized := withNominal(j.Cylinders(), nominal)
	j.Features = slices.Clone(j.Features)
	for i := range j.Features {
		j.Features[i].Cylinder = sized[i]
	}
	return j
}

// Label names the joint so that it is told from joints of other vehicles.
func (j Joint) Label() string { return j.VehicleCode + "/" + j.Position }

// Which joints a query is for; TestJointLookupsAreServedByIndexes holds their plans.
const (
	namedJoint  = `where j.club_id = $1 and (j.id = $2 or j.position = $3) order by v.code, j.id`
	namedJoints = `where j.club_id = $1 and j.id = any(array(
  select found.id
  from unnest($2::uuid[], $3::text[], $4::uuid[], $5::text[], $6::uuid[]) as a(joint_id, position, vehicle_id, vehicle, feature_id)
  cross join lateral (
    select k.id from joint k where k.club_id = $1 and k.id = a.joint_id
    union all
    select k.id from joint k where k.club_id = $1 and k.position = a.position
      and k.vehicle_id = (select c.id from vehicle c where c.club_id = $1 and (c.id = a.vehicle_id or c.code = a.vehicle))
    union all
    (select k.id from joint k where k.club_id = $1 and a.vehicle is null and k.position = a.position order by k.id limit $7)
    union all
    select g.joint_id from feature g where g.club_id = $1 and g.id = a.feature_id) found)) order by v.code, j.position`
	vehiclesJoints = `where j.club_id = $1 and j.vehicle_id = (select id from vehicle where club_id = $1 and (id = $2 or code = $3)) and j.position > $4 order by j.position limit $5`
)

// FindJoint looks a joint up by id or position. A position may have a row for
// each of several vehicles. Served by the primary key and joint_by_position.
func FindJoint(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Joint] {
	return postgres.Query[Joint](b, selectJoint+namedJoint, b.Club, ref.ID, ref.Name)
}

// LockJoint is FindJoint, locked until the end of the write.
func LockJoint(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Joint] {
	return postgres.Query[Joint](b, selectJoint+namedJoint+` for no key update of j`, b.Club, ref.ID, ref.Name)
}

// ListJoints lists a vehicle's joints by position, after the position given.
// Served by joint_position.
func ListJoints(b *postgres.Batch, vehicle postgres.Ref, after string, limit int) *postgres.Rows[Joint] {
	return postgres.Query[Joint](b, selectJoint+vehiclesJoints, b.Club, vehicle.ID, vehicle.Name, after, limit)
}

// TakenPositions returns which of positions the vehicle has already, in order.
func TakenPositions(b *postgres.Batch, vehicle postgres.Ref, positions []string) *postgres.Rows[string] {
	return postgres.Values[string](b, `select position from joint where club_id = $1 and vehicle_id = (select id from vehicle where club_id = $1 and (id = $2 or code = $3)) and position = any($4)
		order by position`, b.Club, vehicle.ID, vehicle.Name, positions)
}

// NewJoints makes a joint of t for each position, by position. Their nominal
// size is the one given; nil leaves it unknown, where t's features do not tell.
func NewJoints(v Vehicle, t Template, positions []string, nominal *int64, series *uuid.UUID, target Target, newID func() uuid.UUID) []Joint {
	positions = slices.Sorted(slices.Values(positions)) // one order for all, so that two sets never wait for each other in a circle
	joints := make([]Joint, len(positions))
	for i, position := range positions {
		j := Joint{ID: newID(), VehicleID: v.ID, VehicleCode: v.Code, Position: position, TemplateID: t.ID, TemplateCode: t.Code,
			OwnPinSeriesID: series, TemplatePinSeriesID: t.PinSeriesID, OwnTarget: target, TemplateTarget: t.Target,
			Form: t.Form, TemplateMeans: t.Means, SafetyCritical: t.SafetyCritical, Cautions: t.Cautions, Version: 1}
		for _, f := range withNominal(t.Features, nominal) {
			j.Features = append(j.Features, Feature{ID: newID(), JointID: j.ID, Cylinder: f, Version: 1})
		}
		joints[i] = j
	}
	return joints
}

// PositionsTaken is the refusal of positions that the vehicle has already.
func PositionsTaken(vehicle string, positions ...string) *problem.Error {
	p := problem.New(problem.NameTaken, "The vehicle %s has a joint already at: %s. Nothing was changed; choose other positions, or leave these out.", vehicle, strings.Join(positions, ", "))
	p.Members = map[string]any{"taken": positions}
	return p
}

// UpdateJoint writes j as its next version; was is j before the change. A
// feature with another nominal size or length gets its next version, too.
func UpdateJoint(tx *postgres.Tx, actor uuid.UUID, was, j Joint) Joint {
	j.Version++
	tx.Queue(`update joint set position = $3, pin_series_id = $4, clearance_min_nm = $5, clearance_max_nm = $6, fit = nullif($7, ''), thousandth = $8, facts = $9, version = $10, boss = $11, access = $12, guidance = nullif($13, ''), guidance_offset_nm = $14, coating_nm = $15
		where club_id = $1 and id = $2`,
		tx.Club, j.ID, j.Position, j.OwnPinSeriesID, j.OwnTarget.MinNM, j.OwnTarget.MaxNM, j.OwnTarget.Fit, j.OwnTarget.Thousandth, j.Facts, j.Version,
		j.OwnMeans.Boss, j.OwnMeans.Access, j.OwnMeans.Guidance, j.OwnMeans.OffsetNM, j.CoatingNM).
		Refuse("joint_position", PositionsTaken(j.VehicleCode, j.Position))
	j.Features = slices.Clone(j.Features)
	for i, f := range j.Features {
		if same(was.Features[i].NominalNM, f.NominalNM) && same(was.Features[i].LengthNM, f.LengthNM) {
			continue
		}
		j.Features[i].Version++
		tx.Queue(`update feature set nominal_nm = $3, length_nm = $4, version = $5 where club_id = $1 and id = $2`, tx.Club, f.ID, f.NominalNM, f.LengthNM, j.Features[i].Version)
	}
	journal.Append(tx, journal.Event{Type: "joint.changed", Subject: j.ID, Version: j.Version, Audience: journal.ForClub, Actor: actor}, j)
	return j
}

func same(a, b *int64) bool { return a == b || a != nil && b != nil && *a == *b }
