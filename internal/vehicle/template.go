package vehicle

import (
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Template is what joints of a kind have in common.
type Template struct {
	ID             uuid.UUID
	Code           string
	Name           string
	SafetyCritical bool // steering, brake, suspension or seat
	Cautions       []string
	Target         Target
	Form           Form
	Means
	PinSeriesID   *uuid.UUID
	StandardPinNM *int64 // of that series
	Features      []Cylinder
	Version       int64
}

// Form is the means of form error to expect; nil leaves the engine's default.
type Form struct {
	BellMouthNM *int64 `json:"bell_mouth_nm"`
	OvalityNM   *int64 `json:"ovality_nm"`
	SurfaceNM   *int64 `json:"surface_nm"`
}

const formColumn = `json_build_object('bell_mouth_nm', t.bell_mouth_nm, 'ovality_nm', t.ovality_nm, 'surface_nm', t.surface_nm) as form`

var selectTemplate = `select t.id, t.code, t.name, t.guidance, t.guidance_offset_nm as offset_nm, t.boss, t.access, t.safety_critical, t.cautions, ` + targetColumn("t", "target") + `, ` + formColumn + `, t.pin_series_id,
  (select p.pin_nm from pin_step p where p.club_id = t.club_id and p.series_id = t.pin_series_id and p.ordinal = 0) as standard_pin_nm,
  (select coalesce(json_agg(f order by f.ordinal), '[]') from template_feature f where f.club_id = t.club_id and f.template_id = t.id) as features,
  t.version
from joint_template t `

// FindTemplate looks a template up by id or code.
func FindTemplate(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Template] {
	return postgres.Query[Template](b, selectTemplate+`where t.club_id = $1 and (t.id = $2 or t.code = $3)`, b.Club, ref.ID, ref.Name)
}

// FindTemplates looks templates up by ids and codes.
func FindTemplates(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Template] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Template](b, selectTemplate+`where t.club_id = $1 and (t.id = any($2) or t.code = any($3))`, b.Club, ids, codes)
}

// TemplatesOf looks up the templates that a vehicle's joints are of. Served by
// joint_position and the primary key.
func TemplatesOf(b *postgres.Batch, of postgres.Ref) *postgres.Rows[Template] {
	return postgres.Query[Template](b, selectTemplate+`where t.club_id = $1 and t.id in (select j.template_id from joint j
		where j.club_id = $1 and j.vehicle_id = (select v.id from vehicle v where v.club_id = $1 and (v.id = $2 or v.code = $3)))`, b.Club, of.ID, of.Name)
}

// ListTemplates lists templates by code, after the code given. Served by
// joint_template_code.
func ListTemplates(b *postgres.Batch, after string, limit int) *postgres.Rows[Template] {
	return postgres.Query[Template](b, selectTemplate+`where t.club_id = $1 and t.code > $2 order by t.code limit $3`, b.Club, after, limit)
}

// Nominal is the nominal size of joints of this kind in nanometres: that of the
// usual feature, else of the standard pin; nil when neither is known.
func (t Template) Nominal() *int64 {
	if nm := nominalOf(t.Features); nm != nil {
		return nm
	}
	return t.StandardPinNM
}

// Check reports what is wrong with t that the contract cannot tell, and marks
// its usual feature when none is marked. A target is checked when there is one.
func (t *Template) Check() []problem.Fault {
	t.Features = slices.Clone(t.Features)
	faults := checkFeatures(t.Features)
	for at, nm := range map[string]*int64{"/form/bell_mouth": t.Form.BellMouthNM, "/form/ovality": t.Form.OvalityNM, "/form/surface": t.Form.SurfaceNM} {
		if nm != nil && *nm < 0 {
			faults = append(faults, problem.Fault{Pointer: at, Detail: "must not be negative"})
		}
	}
	if !t.Target.IsZero() {
		faults = append(faults, t.Target.Check("/target", t.Nominal())...)
	}
	faults = append(faults, t.Means.Check("", t.Nominal())...)
	slices.SortFunc(faults, func(a, b problem.Fault) int { return strings.Compare(a.Pointer, b.Pointer) })
	return faults
}

// AddTemplate creates t, which was checked.
func AddTemplate(tx *postgres.Tx, actor uuid.UUID, t Template) {
	tx.Queue(`insert into joint_template (club_id, id, code, name, guidance, safety_critical, cautions, clearance_min_nm, clearance_max_nm, fit, thousandth,
		bell_mouth_nm, ovality_nm, surface_nm, pin_series_id, guidance_offset_nm, boss, access) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, nullif($10, ''), $11, $12, $13, $14, $15, $16, $17, $18)`,
		tx.Club, t.ID, t.Code, t.Name, t.Guidance, t.SafetyCritical, t.Cautions, t.Target.MinNM, t.Target.MaxNM, t.Target.Fit, t.Target.Thousandth,
		t.Form.BellMouthNM, t.Form.OvalityNM, t.Form.SurfaceNM, t.PinSeriesID, t.OffsetNM, t.Boss, t.Access).
		Refuse("joint_template_code", problem.New(problem.NameTaken, "Another joint template has the code %q. Choose another.", t.Code))
	for i, f := range t.Features {
		tx.Queue(`insert into template_feature (club_id, template_id, ordinal, code, shape, duty, nominal_nm, length_nm, usual) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			tx.Club, t.ID, i, f.Code, f.Shape, f.Duty, f.NominalNM, f.LengthNM, f.Usual)
	}
	journal.Append(tx, journal.Event{Type: "joint_template.created", Subject: t.ID, Version: t.Version, Audience: journal.ForClub, Actor: actor}, t)
}
