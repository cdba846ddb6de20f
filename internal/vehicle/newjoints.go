package vehicle

import (
	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// AddJoints creates joints with their features, all or none, in one statement
// for the joints and one for the features. They go in in the order of their
// places, so that two who add the same ones wait for each other and never in a
// circle. A position that is taken violates joint_position; the caller says what
// that means.
func AddJoints(tx *postgres.Tx, actor uuid.UUID, joints []Joint) *postgres.Effect {
	journal.AppendAll(tx, journal.Event{Type: "joint.created", Version: 1, Audience: journal.ForClub, Actor: actor},
		postgres.Column(joints, func(j Joint) uuid.UUID { return j.ID }), postgres.Column(joints, func(j Joint) any { return j }))
	effect := tx.Queue(`
		insert into joint (club_id, id, vehicle_id, position, template_id, pin_series_id, clearance_min_nm, clearance_max_nm, fit, thousandth, facts, boss, access, guidance, guidance_offset_nm, coating_nm)
		select $1, id, vehicle_id, position, template_id, pin_series_id, clearance_min_nm, clearance_max_nm, nullif(fit, ''), thousandth, facts, boss, access, nullif(guidance, ''), guidance_offset_nm, coating_nm
		from unnest($2::uuid[], $3::uuid[], $4::text[], $5::uuid[], $6::uuid[], $7::bigint[], $8::bigint[], $9::text[], $10::boolean[], $11::jsonb[],
			$12::jsonb[], $13::jsonb[], $14::text[], $15::bigint[], $16::bigint[])
			as u(id, vehicle_id, position, template_id, pin_series_id, clearance_min_nm, clearance_max_nm, fit, thousandth, facts, boss, access, guidance, guidance_offset_nm, coating_nm)
		order by vehicle_id, position`,
		tx.Club,
		postgres.Column(joints, func(j Joint) uuid.UUID { return j.ID }),
		postgres.Column(joints, func(j Joint) uuid.UUID { return j.VehicleID }),
		postgres.Column(joints, func(j Joint) string { return j.Position }),
		postgres.Column(joints, func(j Joint) uuid.UUID { return j.TemplateID }),
		postgres.Column(joints, func(j Joint) *uuid.UUID { return j.OwnPinSeriesID }),
		postgres.Column(joints, func(j Joint) *int64 { return j.OwnTarget.MinNM }),
		postgres.Column(joints, func(j Joint) *int64 { return j.OwnTarget.MaxNM }),
		postgres.Column(joints, func(j Joint) string { return j.OwnTarget.Fit }),
		postgres.Column(joints, func(j Joint) bool { return j.OwnTarget.Thousandth }),
		postgres.Column(joints, func(j Joint) Facts { return j.Facts }),
		postgres.Column(joints, func(j Joint) Boss { return j.OwnMeans.Boss }),
		postgres.Column(joints, func(j Joint) Access { return j.OwnMeans.Access }),
		postgres.Column(joints, func(j Joint) string { return j.OwnMeans.Guidance }),
		postgres.Column(joints, func(j Joint) *int64 { return j.OwnMeans.OffsetNM }),
		postgres.Column(joints, func(j Joint) *int64 { return j.CoatingNM }))
	type placed struct {
		Feature
		ordinal int16
	}
	var features []placed
	for _, j := range joints {
		for i, f := range j.Features {
			features = append(features, placed{f, int16(i)})
		}
	}
	tx.Queue(`
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, nominal_nm, length_nm, usual)
		select $1, u.* from unnest($2::uuid[], $3::uuid[], $4::smallint[], $5::text[], $6::text[], $7::text[], $8::bigint[], $9::bigint[], $10::boolean[]) as u`,
		tx.Club,
		postgres.Column(features, func(f placed) uuid.UUID { return f.ID }),
		postgres.Column(features, func(f placed) uuid.UUID { return f.JointID }),
		postgres.Column(features, func(f placed) int16 { return f.ordinal }),
		postgres.Column(features, func(f placed) string { return f.Code }),
		postgres.Column(features, func(f placed) string { return f.Shape }),
		postgres.Column(features, func(f placed) string { return f.Duty }),
		postgres.Column(features, func(f placed) *int64 { return f.NominalNM }),
		postgres.Column(features, func(f placed) *int64 { return f.LengthNM }),
		postgres.Column(features, func(f placed) bool { return f.Usual }))
	return effect
}
