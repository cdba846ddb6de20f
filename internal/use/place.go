package use

import (
	"fmt"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

type repairRow struct {
	ID     uuid.UUID
	Number int
}

type jointRow struct {
	ID       uuid.UUID
	Position string
	Vehicle  string
}

type repairJoint struct{ RepairID, JointID uuid.UUID }

type featureRow struct {
	ID, JointID uuid.UUID
	Code        string
	Shape       string
}

// places are the repairs, joints and features that lines may mean.
type places struct {
	repairs  *postgres.Rows[repairRow]
	joints   *postgres.Rows[jointRow]
	of       *postgres.Rows[repairJoint]
	features *postgres.Rows[featureRow]
}

func findPlaces(b *postgres.Batch, lines []Line) places {
	repairs, numbers := []uuid.UUID{}, []int{}
	var joints []postgres.Ref
	features := []uuid.UUID{}
	for _, l := range lines {
		if id, number := repair.Named(l.Repair); id != nil {
			repairs = append(repairs, *id)
		} else if number != nil {
			numbers = append(numbers, *number)
		}
		if l.Joint != "" {
			joints = append(joints, postgres.ParseRef(l.Joint))
		}
		if ref := postgres.ParseRef(l.Feature); ref.ID != nil {
			features = append(features, *ref.ID)
		}
	}
	ids, positions := postgres.Split(joints)
	const these = `(select j.id from joint j where j.club_id = $1 and (j.id = any($2) or j.position = any($3)) union all select f.joint_id from feature f where f.club_id = $1 and f.id = any($4))`
	return places{
		repairs: postgres.Query[repairRow](b, `select id, number from repair where club_id = $1 and (id = any($2) or number = any($3))`, b.Club, repairs, numbers),
		of:      postgres.Query[repairJoint](b, `select repair_id, joint_id from repair_joint where club_id = $1 and repair_id = any(array(select id from repair where club_id = $1 and (id = any($2) or number = any($3))))`, b.Club, repairs, numbers),
		joints: postgres.Query[jointRow](b, `select j.id, j.position, (select v.code from vehicle v where v.club_id = j.club_id and v.id = j.vehicle_id) as vehicle from joint j where j.club_id = $1 and j.id = any(array`+these+`) order by vehicle, j.id`,
			b.Club, ids, positions, features),
		features: postgres.Query[featureRow](b, `select f.id, f.joint_id, f.code, f.shape from feature f where f.club_id = $1 and f.joint_id = any(array`+these+`) order by f.ordinal`, b.Club, ids, positions, features),
	}
}

// placed is where a line was at work.
type placed struct {
	repair  *repairRow
	joint   *jointRow
	feature *featureRow
}

// named finds what l names, or says what is wrong with its names.
func (p places) named(l Line) (out placed, faults []problem.Fault, ambiguous error) {
	fault := func(field, detail string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: l.At + "/" + field, Detail: fmt.Sprintf(detail, args...)})
	}
	if l.Repair != "" {
		id, number := repair.Named(l.Repair)
		for i, r := range p.repairs.Items {
			if id != nil && r.ID == *id || number != nil && r.Number == *number {
				out.repair = &p.repairs.Items[i]
			}
		}
		if out.repair == nil {
			fault("repair", "there is no repair “%s” in this club; check the number, or GET repairs", l.Repair)
			return out, faults, nil
		}
	}
	if l.Joint != "" {
		var may []*jointRow
		for i, j := range p.joints.Items {
			if ref := postgres.ParseRef(l.Joint); (ref.ID != nil && j.ID == *ref.ID || ref.ID == nil && j.Position == ref.Name) && p.isOf(out.repair, j.ID) {
				may = append(may, &p.joints.Items[i])
			}
		}
		switch {
		case len(may) == 0 && out.repair != nil:
			fault("joint", "“%s” is none of repair R%d; check the spelling, or GET the repair", l.Joint, out.repair.Number)
		case len(may) == 0:
			fault("joint", "there is no joint “%s” in this club; check the spelling, or GET joints", l.Joint)
		case len(may) > 1:
			return out, faults, problem.Ambiguous(l.At+"/joint", l.Joint, postgres.Column(may, func(j *jointRow) string { return j.Position + " of " + j.Vehicle }))
		default:
			out.joint = may[0]
		}
		if out.joint == nil {
			return out, faults, nil
		}
	}
	if l.Feature == "" {
		return out, faults, nil
	}
	ref := postgres.ParseRef(l.Feature)
	if out.joint == nil && ref.ID == nil {
		fault("joint", "is needed with a feature's code: the joint that has it")
		return out, faults, nil
	}
	var codes []string
	for i, f := range p.features.Items {
		if out.joint != nil && f.JointID != out.joint.ID {
			continue
		}
		codes = append(codes, f.Code)
		if ref.ID != nil && f.ID == *ref.ID || ref.ID == nil && f.Code == ref.Name {
			out.feature = &p.features.Items[i]
		}
	}
	switch {
	case out.feature == nil && out.joint != nil:
		fault("feature", "must be one of joint %s: %s", out.joint.Position, strings.Join(codes, ", "))
	case out.feature == nil:
		fault("feature", "there is no such feature in this club; GET the features of its joint")
	case !p.isOf(out.repair, out.feature.JointID):
		fault("feature", "is of no joint of repair R%d; check it, or leave repair out", out.repair.Number)
	default:
		for i, j := range p.joints.Items {
			if j.ID == out.feature.JointID {
				out.joint = &p.joints.Items[i]
			}
		}
	}
	return out, faults, nil
}

func (p places) isOf(r *repairRow, joint uuid.UUID) bool {
	if r == nil {
		return true
	}
	for _, of := range p.of.Items {
		if of.RepairID == r.ID && of.JointID == joint {
			return true
		}
	}
	return false
}
