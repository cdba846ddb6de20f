package api

import (
	"strconv"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/imports"
	"pinwright/internal/pinseries"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

func vehicleIndex(rows *postgres.Rows[vehicle.Vehicle]) index[vehicle.Vehicle] {
	return indexOf(rows.Items, func(v vehicle.Vehicle) uuid.UUID { return v.ID }, func(v vehicle.Vehicle) string { return v.Code })
}

func (r *importing) queueVehicles(b *postgres.Batch) func() error {
	known := vehicle.FindAll(b, r.keys("code"))
	garages := club.FindGarages(b, r.names("garage"))
	members := club.FindMembers(b, r.names("member"))
	return func() error { return r.judgeVehicles(known, garages, members) }
}

func (r *importing) judgeVehicles(found *postgres.Rows[vehicle.Vehicle], garages *postgres.Rows[club.Garage], members *postgres.Rows[club.Member]) error {
	known, places, seen := vehicleIndex(found).byName, garageIndex(garages), map[string]int{}
	owners := indexOf(members.Items, func(m club.Member) uuid.UUID { return m.ID }, func(m club.Member) string { return m.Number })
	var fresh []vehicle.Vehicle
	for i := range r.bodies {
		body, err := decodeRow[VehicleIn](r, i, "VehicleIn", false)
		if err != nil {
			return err
		}
		if r.outcomes[i].name = body.Code; !r.sound(i) || !r.once(i, seen, "/code", body.Code) {
			continue
		}
		at, err := r.placeOf(i, places, "/garage", body.Garage)
		if err != nil {
			return err
		}
		v := vehicle.Vehicle{ID: newID(), MemberID: r.in.caller.MemberID, Version: 1}
		if body.Member != nil {
			if owner, _ := owners.find("/member", *body.Member); owner != nil {
				v.MemberID = owner.ID
			} else { // a name, perhaps, which the report must not keep
				r.refuse(i, false, problem.Fault{Pointer: "/member", Detail: "is no member's number in this club; give the number, or leave it out to enter your own"})
			}
		}
		v, err = fillVehicle(v, body, at)
		if err := r.refuseErr(i, false, err); err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		if was := known[v.Code]; was != nil {
			r.onRecord(i, was.ID, says("/name", &v.Name, was.Name), says("/chassis_number", v.ChassisNumber, or(was.ChassisNumber, "")),
				saying{pointer: "/built_year", given: v.BuiltYear != nil, same: was.BuiltYear != nil && or(v.BuiltYear, 0) == *was.BuiltYear, record: year(was.BuiltYear)},
				saying{pointer: "/garage", given: at != nil, same: sameID(at, was.GarageID), record: "another garage"},
				saying{pointer: "/member", given: body.Member != nil, same: v.MemberID == was.MemberID, record: "another member"})
			continue
		}
		if refused, _ := problem.As(r.in.mayEnterFor(v.MemberID)); refused != nil {
			r.refuse(i, false, problem.Fault{Pointer: "/member", Detail: "only an officer or tool keeper enters vehicles of others; leave it out to enter your own"})
			continue
		}
		if warnings := v.ChassisWarnings(); len(warnings) > 0 {
			r.outcomes[i].note = warnings[0].Text
		}
		r.create(i, v.ID)
		r.makes(i, imports.AVehicle, v.ID)
		fresh = append(fresh, v)
	}
	if len(fresh) > 0 {
		vehicle.AddAll(r.tx, r.in.caller.MemberID, fresh).RunAgainOn("vehicle_code")
	}
	return nil
}

func year(y *int32) string {
	if y == nil {
		return ""
	}
	return strconv.Itoa(int(*y))
}

func (r *importing) queueJoints(b *postgres.Batch) func() error {
	vehicles := vehicle.FindAll(b, r.names("vehicle"))
	templates := vehicle.FindTemplates(b, r.names("template"))
	series := pinseries.FindAll(b, r.names("pin_series"))
	var names []vehicle.Name
	for _, body := range r.bodies {
		of, _ := body.Thing["vehicle"].(string)
		if positions, ok := body.Thing["positions"].([]any); ok && of != "" {
			at, _ := positions[0].(string)
			names = append(names, vehicle.Name{Joint: at, Vehicle: of})
		}
	}
	known := &postgres.Rows[vehicle.Joint]{}
	if len(names) > 0 {
		known = vehicle.FindJoints(b, names)
	}
	return func() error { return r.judgeJoints(vehicles, templates, series, known) }
}

func (r *importing) judgeJoints(vehicles *postgres.Rows[vehicle.Vehicle], templates *postgres.Rows[vehicle.Template], series *postgres.Rows[pinseries.Series], found *postgres.Rows[vehicle.Joint]) error {
	cars := vehicleIndex(vehicles)
	kinds := indexOf(templates.Items, func(t vehicle.Template) uuid.UUID { return t.ID }, func(t vehicle.Template) string { return t.Code })
	ladders := indexOf(series.Items, func(s pinseries.Series) uuid.UUID { return s.ID }, func(s pinseries.Series) string { return s.Code })
	known, seen := map[string]*vehicle.Joint{}, map[string]int{}
	for i, j := range found.Items {
		known[j.Label()] = &found.Items[i]
	}
	var fresh []vehicle.Joint
	for i := range r.bodies {
		name, _ := r.bodies[i].Thing["vehicle"].(string)
		delete(r.bodies[i].Thing, "vehicle") // in the address, where a set of joints is posted
		body, err := decodeRow[JointSetIn](r, i, "JointSetIn", false)
		if err != nil {
			return err
		}
		if name == "" {
			r.refuse(i, false, problem.Fault{Pointer: "/vehicle", Detail: "is needed"})
		}
		if !r.sound(i) {
			continue
		}
		v, noVehicle := cars.find("/vehicle", name)
		t, noTemplate := kinds.find("/template", body.Template)
		var own *pinseries.Series
		var noSeries error
		if body.PinSeries != nil {
			own, noSeries = ladders.find("/pin_series", *body.PinSeries)
		}
		if postgres.ParseRef(body.Positions[0]).ID != nil {
			r.refuse(i, false, problem.Fault{Pointer: "/positions", Detail: "looks like an id; give the position on the vehicle, such as front-left-upper"})
		}
		if err := r.refuseErr(i, false, together(noVehicle, noTemplate, noSeries)); err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		made, faults := newJoints(body, *v, *t, own)
		r.refuse(i, false, faults...)
		if len(faults) > 0 {
			continue
		}
		j := made[0]
		if r.outcomes[i].name = j.Label(); !r.once(i, seen, "/positions", j.Label()) {
			continue
		}
		if was := known[j.Label()]; was != nil {
			r.onRecord(i, was.ID, says("/template", &j.TemplateCode, was.TemplateCode),
				saying{pointer: "/nominal", given: body.Nominal != nil, same: sameSize(j.Nominal(), was.Nominal()), record: sizeText(was.Nominal(), r.in.caller.Units)},
				saying{pointer: "/pin_series", given: own != nil, same: sameID(j.OwnPinSeriesID, was.PinSeriesID()), record: "another series"},
				saying{pointer: "/target", given: body.Target != nil, same: sameTarget(j, *was), record: targetText(*was, r.in.caller.Units)})
			continue
		}
		r.create(i, j.ID)
		r.makes(i, imports.AJoint, j.ID)
		for _, f := range j.Features {
			r.makes(i, imports.AFeature, f.ID)
		}
		fresh = append(fresh, j)
	}
	if len(fresh) > 0 {
		vehicle.AddJoints(r.tx, r.in.caller.MemberID, fresh).RunAgainOn("joint_position")
	}
	return nil
}

func sameSize(a, b *int64) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }

func sameTarget(a, b vehicle.Joint) bool {
	x, y := a.Target(), b.Target()
	return sameSize(x.MinNM, y.MinNM) && sameSize(x.MaxNM, y.MaxNM) && x.Fit == y.Fit && x.Thousandth == y.Thousandth
}

func sizeText(nm *int64, units string) string {
	if l := optionalLength(nm, units); l != nil {
		return l.Text
	}
	return ""
}

func targetText(j vehicle.Joint, units string) string {
	if t := jointTargetOut(j.Target(), j.Nominal(), units); t != nil {
		return t.Text
	}
	return ""
}
