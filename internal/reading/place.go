package reading

import (
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// place is a feature that a name may mean, with its joint and vehicle.
type place struct {
	N         int32 // of the name asked for
	FeatureID uuid.UUID
	Code      string
	Shape     string
	Usual     bool
	Nominal   *length.Length
	JointID   uuid.UUID
	Position  string
	Vehicle   string
}

// placeName is what an entry says of where it was taken.
type placeName struct{ vehicle, joint, feature string }

func (e Entry) placeName() placeName {
	if e.Joint == "" {
		return placeName{feature: e.Feature}
	}
	return placeName{vehicle: e.Vehicle, joint: e.Joint}
}

// places are the features behind the names of many entries.
type places struct {
	numbers map[placeName]int32
	rows    *postgres.Rows[place]
	byName  [][]place
}

// mostCandidates bounds how many joints of one position are looked at: enough
// to tell which are meant.
const mostCandidates = 20

// queuePlaces looks up the features of every joint that the entries name, each
// different name once.
func queuePlaces(b *postgres.Batch, entries []Entry) *places {
	p := &places{numbers: map[placeName]int32{}}
	var numbers []int32
	var jointIDs, vehicleIDs, featureIDs []*uuid.UUID
	var positions, vehicles []*string
	for _, e := range entries {
		name := e.placeName()
		if _, known := p.numbers[name]; known || len(e.Faults) > 0 || name == (placeName{}) {
			continue
		}
		n := int32(len(p.numbers)) //nolint:gosec // at most a batch's rows
		p.numbers[name] = n
		joint, vehicle, feature := postgres.ParseRef(name.joint), postgres.ParseRef(name.vehicle), postgres.ParseRef(name.feature)
		numbers, jointIDs, vehicleIDs, featureIDs = append(numbers, n), append(jointIDs, joint.ID), append(vehicleIDs, vehicle.ID), append(featureIDs, feature.ID)
		positions, vehicles = append(positions, given(joint.Name)), append(vehicles, given(vehicle.Name))
	}
	p.rows = &postgres.Rows[place]{}
	if len(numbers) == 0 {
		return p
	}
	// Served by the primary keys, vehicle_code, joint_position and
	// joint_by_position; then feature_code for the features of the joint.
	p.rows = postgres.Query[place](b, `
		with asked as (
			select n, joint_id, position, feature_id, vehicle is not null as narrowed,
			       (select v.id from vehicle v where v.club_id = $1 and (v.id = a.vehicle_id or v.code = a.vehicle)) as vehicle_id
			from unnest($2::int[], $3::uuid[], $4::text[], $5::uuid[], $6::text[], $7::uuid[]) as a(n, joint_id, position, vehicle_id, vehicle, feature_id))
		select a.n, f.id as feature_id, f.code, f.shape, f.usual, f.nominal_nm as nominal, j.id as joint_id, j.position, v.code as vehicle
		from asked a
		cross join lateral (
			select j.* from joint j where j.club_id = $1 and j.id = a.joint_id and (not a.narrowed or j.vehicle_id = a.vehicle_id)
			union all
			select j.* from joint j where j.club_id = $1 and a.joint_id is null and a.narrowed and j.vehicle_id = a.vehicle_id and j.position = a.position
			union all
			(select j.* from joint j where j.club_id = $1 and a.joint_id is null and not a.narrowed and j.position = a.position order by j.id limit $8)
			union all
			select j.* from feature g join joint j on j.club_id = g.club_id and j.id = g.joint_id where g.club_id = $1 and g.id = a.feature_id) j
		join vehicle v on v.club_id = $1 and v.id = j.vehicle_id
		join feature f on f.club_id = $1 and f.joint_id = j.id
		order by a.n, v.code, j.position, f.ordinal`,
		b.Club, numbers, jointIDs, positions, vehicleIDs, vehicles, featureIDs, mostCandidates)
	return p
}

// of returns the feature that e means, or what is wrong with its names.
func (p *places) of(e Entry) (place, []problem.Fault) {
	if p.byName == nil {
		p.byName = make([][]place, len(p.numbers))
		for _, row := range p.rows.Items {
			p.byName[row.N] = append(p.byName[row.N], row)
		}
	}
	found := p.byName[p.numbers[e.placeName()]]
	refuse := func(field, format string, args ...any) (place, []problem.Fault) {
		return place{}, []problem.Fault{e.fault(field, format, args...)}
	}
	switch {
	case len(found) == 0 && e.Joint == "":
		return refuse("/feature", "there is no feature with this id in this club; GET the joint's features")
	case len(found) == 0 && e.Vehicle != "":
		return refuse("/joint", "there is no joint “%s” on a vehicle “%s” in this club; check both, or GET the vehicle's joints", e.Joint, e.Vehicle)
	case len(found) == 0:
		return refuse("/joint", "there is no joint “%s” in this club; check the spelling, or GET the vehicle's joints", e.Joint)
	}
	if found[0].JointID != found[len(found)-1].JointID {
		var candidates []string
		for _, f := range found {
			candidates = append(candidates, f.Vehicle+" / "+f.Position)
		}
		fault := e.fault("/joint", "“%s” fits joints of several vehicles; name the vehicle as well, or use the joint's id", e.Joint)
		fault.Candidates = slices.Compact(candidates)
		return place{}, []problem.Fault{fault}
	}
	if e.Feature != "" {
		ref := postgres.ParseRef(e.Feature)
		for _, f := range found {
			if ref.ID != nil && f.FeatureID == *ref.ID || ref.ID == nil && f.Code == ref.Name {
				return f, nil
			}
		}
	} else if len(found) == 1 {
		return found[0], nil
	} else if i := slices.IndexFunc(found, func(f place) bool { return f.Usual }); i >= 0 {
		return found[i], nil
	}
	fault := e.fault("/feature", "is needed, since the joint has no usual feature; name one of its features")
	if e.Feature != "" {
		fault = e.fault("/feature", "the joint has no feature “%s”; name one that it has", e.Feature)
	}
	for _, f := range found {
		fault.Candidates = append(fault.Candidates, f.Code)
	}
	return place{}, []problem.Fault{fault}
}

// queueTools looks up the instruments and gauges that the entries name.
func queueTools(b *postgres.Batch, entries []Entry) *postgres.Rows[tool.Instrument] {
	var names []string
	for _, e := range entries {
		for _, name := range []string{e.Instrument, e.GaugeTool} {
			if name != "" && len(e.Faults) == 0 {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return &postgres.Rows[tool.Instrument]{}
	}
	slices.Sort(names)
	names = slices.Compact(names)
	refs := make([]postgres.Ref, len(names))
	for i, name := range names {
		refs[i] = postgres.ParseRef(name)
	}
	return tool.Instruments(b, refs...)
}

// toolOf finds the tool that e names; nil when it names none.
func (e Entry) toolOf(known map[string]*tool.Instrument) (*tool.Instrument, []problem.Fault) {
	field, name := "/instrument", e.Instrument
	if e.gauged() {
		field, name = "/gauge", e.GaugeTool
	}
	if name == "" {
		return nil, nil
	}
	key := name
	if ref := postgres.ParseRef(name); ref.ID != nil {
		key = ref.ID.String()
	}
	if t := known[key]; t != nil {
		return t, nil
	}
	hint := "check the number, or GET the tools"
	if e.gauged() {
		hint += `; a size needs its unit, such as "0.318 in"`
	}
	return nil, []problem.Fault{e.fault(field, "there is no tool “%s” in this club; %s", name, hint)}
}
