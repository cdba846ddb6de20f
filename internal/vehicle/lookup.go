package vehicle

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Name is what a request says of where something is: a joint by id or position,
// in which vehicle where that is said (id or code); or, without a joint, a feature
// by its id.
type Name struct{ Joint, Vehicle, Feature string }

// mostCandidates bounds how many joints of one position are looked up: enough to
// tell which may be meant.
const mostCandidates = 20

// FindJoints looks up the joints that many names mean. Several may fit one name;
// Index tells which is meant. Served by the primary keys of joint and feature,
// joint_position with a vehicle (by its primary key or vehicle_code) and
// joint_by_position without.
func FindJoints(b *postgres.Batch, names []Name) *postgres.Rows[Joint] {
	var joints, vehicles, features []*uuid.UUID
	var positions, codes []*string
	asked := make(map[Name]bool, len(names))
	for _, n := range names {
		if asked[n] {
			continue
		}
		asked[n] = true
		joint, vehicle, feature := postgres.ParseRef(n.Joint), postgres.ParseRef(n.Vehicle), postgres.ParseRef(n.Feature)
		if n.Joint != "" {
			feature.ID = nil
		}
		joints, vehicles, features = append(joints, joint.ID), append(vehicles, vehicle.ID), append(features, feature.ID)
		positions, codes = append(positions, said(n.Joint)), append(codes, said(n.Vehicle))
	}
	return postgres.Query[Joint](b, selectJoint+namedJoints, b.Club, joints, positions, vehicles, codes, features, mostCandidates)
}

func said(name string) *string {
	if name == "" {
		return nil
	}
	return &name
}

// Index finds joints that were looked up together by the names that a request
// uses for them.
type Index struct {
	byID       map[uuid.UUID]*Joint
	byFeature  map[uuid.UUID]*Joint
	byPosition map[string][]*Joint
}

// NewIndex makes an index of joints.
func NewIndex(joints []Joint) *Index {
	x := &Index{byID: map[uuid.UUID]*Joint{}, byFeature: map[uuid.UUID]*Joint{}, byPosition: map[string][]*Joint{}}
	for i := range joints {
		j := &joints[i]
		x.byID[j.ID] = j
		x.byPosition[j.Position] = append(x.byPosition[j.Position], j)
		for _, f := range j.Features {
			x.byFeature[f.ID] = j
		}
	}
	return x
}

// Joint returns the joint that ref, written at pointer, names; inVehicle is the
// id or code of the vehicle that it is in, empty when not said. None is a fault
// at pointer, several are an ambiguous name.
func (x *Index) Joint(pointer string, ref postgres.Ref, inVehicle string) (*Joint, error) {
	found := x.byPosition[ref.Name]
	if ref.ID != nil {
		found = nil
		if j := x.byID[*ref.ID]; j != nil {
			found = []*Joint{j}
		}
	}
	where := "in this club"
	if inVehicle != "" {
		where = fmt.Sprintf("in the vehicle %q", inVehicle)
		v := postgres.ParseRef(inVehicle)
		found = slices.DeleteFunc(slices.Clone(found), func(j *Joint) bool {
			return j.VehicleCode != v.Name && (v.ID == nil || *v.ID != j.VehicleID)
		})
	}
	switch len(found) {
	case 0:
		return nil, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no joint %q %s; check the spelling, or GET the vehicle's joints", ref.Name, where)})
	case 1:
		return found[0], nil
	}
	labels := make([]string, len(found))
	for i, j := range found {
		labels[i] = j.Label()
	}
	return nil, problem.Ambiguous(pointer, ref.Name, labels)
}

// ByFeature returns the joint with the feature of that id, which is written at
// pointer; none is a fault there.
func (x *Index) ByFeature(pointer string, id uuid.UUID) (*Joint, Feature, error) {
	if j := x.byFeature[id]; j != nil {
		f, err := j.Feature(pointer, postgres.Ref{ID: &id, Name: id.String()})
		return j, f, err
	}
	return nil, Feature{}, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no feature %q in this club; GET the joint's features", id)})
}

// Usual is the feature meant by a reading that names only the joint. Every joint
// made by a template has one; without, it is a fault at pointer that lists what
// there is.
func (j Joint) Usual(pointer string) (Feature, error) {
	codes := make([]string, len(j.Features))
	for i, f := range j.Features {
		if f.Usual {
			return f, nil
		}
		codes[i] = f.Code
	}
	return Feature{}, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("is needed, since the joint %q has no usual feature; use one of its codes", j.Position), Candidates: codes})
}

// Feature returns the joint's feature that ref, written at pointer, names by id
// or code; none is a fault there that lists what there is.
func (j Joint) Feature(pointer string, ref postgres.Ref) (Feature, error) {
	codes := make([]string, len(j.Features))
	for i, f := range j.Features {
		if f.Code == ref.Name || ref.ID != nil && f.ID == *ref.ID {
			return f, nil
		}
		codes[i] = f.Code
	}
	return Feature{}, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("the joint %q has no feature %q; use one of its codes", j.Position, ref.Name), Candidates: codes})
}
