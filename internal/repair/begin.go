package repair

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
	"pinwright/internal/vehicle"
)

// New is a repair that is to begin.
type New struct {
	Repair    Repair
	Joints    []vehicle.Joint
	Procedure procedure.Procedure
	Place     Place
}

// Place is a garage where repairs are done.
type Place struct {
	GarageID uuid.UUID
	Code     string
	TimeZone string
	Home     bool // of who asks
}

type standing struct {
	VehicleID uuid.UUID
	GarageID  *uuid.UUID
}

// Places are where a new repair may be done.
type Places struct {
	garages *postgres.Rows[Place]
	stands  *postgres.Rows[standing]
}

// LookUpPlaces looks up the club's garages, where the vehicle of the first joint
// stands, and which garage is that of the member whom holder, a query by the club ($1)
// and key ($2), gives.
func LookUpPlaces(b *postgres.Batch, first vehicle.Name, holder string, key []byte) Places {
	joint, of := postgres.ParseRef(first.Joint), postgres.ParseRef(first.Vehicle)
	return Places{
		garages: postgres.Query[Place](b, `select g.id as garage_id, g.code, g.time_zone, coalesce(g.id = (select m.garage_id from member m where m.club_id = $1 and m.id = (`+holder+`)), false) as home
			from garage g where g.club_id = $1 order by g.code`, b.Club, key),
		stands: postgres.Query[standing](b, `select v.id as vehicle_id, v.garage_id from joint j join vehicle v on v.club_id = j.club_id and v.id = j.vehicle_id
			where j.club_id = $1 and (j.id = $2 or j.position = $3) and ($4 or v.id = $5 or v.code = $6) order by v.id limit 200`,
			b.Club, joint.ID, joint.Name, first.Vehicle == "", of.ID, of.Name),
	}
}

// At is the garage of that id; without one that where the vehicle stands, else the
// asking member's. False when there is none.
func (p Places) At(garage *uuid.UUID, vehicleID uuid.UUID) (Place, bool) {
	if garage == nil {
		if i := slices.IndexFunc(p.stands.Items, func(s standing) bool { return s.VehicleID == vehicleID }); i >= 0 {
			garage = p.stands.Items[i].GarageID
		}
	}
	i := slices.IndexFunc(p.garages.Items, func(g Place) bool { return garage != nil && g.GarageID == *garage || garage == nil && g.Home })
	if i < 0 {
		return Place{}, false
	}
	return p.garages.Items[i], true
}

// NextNumber looks up the number of the club's next repair. Served by repair_number.
func NextNumber(b *postgres.Batch) *postgres.Rows[int] {
	return postgres.Values[int](b, `select coalesce((select number from repair where club_id = $1 order by number desc limit 1), 0) + 1`, b.Club)
}

// CheckJoints reports what is wrong with the joints together.
func (n New) CheckJoints() []problem.Fault {
	var faults []problem.Fault
	for i, j := range n.Joints {
		switch first := slices.IndexFunc(n.Joints[:i], func(o vehicle.Joint) bool { return o.ID == j.ID }); {
		case first >= 0:
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/joints/%d", i), Detail: fmt.Sprintf("is the joint %s, which is named already; leave it out", j.Label())})
		case j.VehicleID != n.Joints[0].VehicleID:
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/joints/%d", i), Detail: fmt.Sprintf("is of %s, the first of %s: a repair is of one vehicle; make one for each", j.VehicleCode, n.Joints[0].VehicleCode)})
		}
	}
	return faults
}

// Add begins n, whose joints are one at least, with its steps. A joint that is in an
// open repair is refused; a number that another repair took meanwhile runs the write
// again.
func Add(tx *postgres.Tx, actor uuid.UUID, n New) *Work {
	slices.SortFunc(n.Joints, func(a, b vehicle.Joint) int { return strings.Compare(a.Position, b.Position) })
	r := n.Repair
	r.State, r.Version = Open, 1
	r.VehicleID, r.VehicleCode = n.Joints[0].VehicleID, n.Joints[0].VehicleCode
	r.ProcedureID, r.ProcedureCode, r.Edition = n.Procedure.ID, n.Procedure.Code, n.Procedure.Edition
	r.GarageID, r.GarageCode, r.TimeZone = n.Place.GarageID, n.Place.Code, n.Place.TimeZone
	for _, j := range n.Joints {
		r.Safety = r.Safety || j.SafetyCritical
	}
	w := &Work{Repair: r, Procedure: n.Procedure.Steps, Steps: stepsOf(n)}
	for _, j := range n.Joints {
		w.Joints = append(w.Joints, Joint{JointID: j.ID, Position: j.Position, SafetyCritical: j.SafetyCritical, Cautions: j.Cautions, Boss: j.Means().Boss, Cylinders: j.Cylinders()})
	}
	tx.Queue(`insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at, note) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		tx.Club, r.ID, r.Number, r.VehicleID, r.ProcedureID, r.Edition, r.GarageID, r.LeadID, r.Safety, r.BeganAt, r.Note).RunAgainOn("repair_number")
	tx.Queue(`insert into repair_joint (club_id, repair_id, joint_id) select $1, $2, j from unnest($3::uuid[]) as u(j) order by j`,
		tx.Club, r.ID, postgres.Column(w.Joints, func(j Joint) uuid.UUID { return j.JointID })).
		Refuse("repair_joint_once", problem.New(problem.NotAllowedNow, "One of these joints is in an open repair already: GET repairs?vehicle=%s&state=open shows it. Finish or abandon that one, or leave the joint out.", r.VehicleCode))
	tx.Queue(`insert into repair_step (club_id, id, repair_id, ordinal, key, joint_id) select $1, u.id, $2, u.ordinal, u.key, u.joint from unnest($3::uuid[], $4::smallint[], $5::text[], $6::uuid[]) as u(id, ordinal, key, joint)`,
		tx.Club, r.ID, postgres.Column(w.Steps, func(s Step) uuid.UUID { return s.ID }), postgres.Column(w.Steps, func(s Step) int { return s.Ordinal }),
		postgres.Column(w.Steps, func(s Step) string { return s.Key }), postgres.Column(w.Steps, func(s Step) *uuid.UUID { return s.JointID }))
	journal.Append(tx, journal.Event{Type: "repair.created", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return w
}

// stepsOf are the steps of a new repair: those of the job, and one for each joint
// otherwise.
func stepsOf(n New) []Step {
	var out []Step
	add := func(i int, joint *uuid.UUID) {
		out = append(out, Step{ID: uuid.Must(uuid.NewV7()), RepairID: n.Repair.ID, Ordinal: i, Key: n.Procedure.Steps[i].Key, JointID: joint, State: StepOpen, Version: 1})
	}
	for i, s := range n.Procedure.Steps {
		if s.Per == procedure.PerJob {
			add(i, nil)
			continue
		}
		for _, j := range n.Joints {
			add(i, &j.ID)
		}
	}
	return out
}
