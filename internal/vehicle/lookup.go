package vehicle

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// FindJoints looks many joints up at once: those that any of refs names by id or
// position, in whichever vehicle, and those that any of refs names by the id of
// one of their features. Several rows may fit one ref; Index tells which is
// meant. Served by the primary keys of joint and feature and joint_by_position.
func FindJoints(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Joint] {
	ids, names := []uuid.UUID{}, []string{}
	for _, r := range refs {
		if r.ID != nil {
			ids = append(ids, *r.ID)
		} else {
			names = append(names, r.Name)
		}
	}
	return postgres.Query[Joint](b, selectJoint+namedJoints, b.Club, ids, names)
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

// Usual is the feature meant by a reading that names only the joint; every
// template marks one.
func (j Joint) Usual() Feature {
	return j.Features[slices.IndexFunc(j.Features, func(f Feature) bool { return f.Usual })]
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
