package reading

import (
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/vehicle"
)

// place is the feature that an entry means.
type place struct {
	FeatureID, JointID uuid.UUID
	Code               string
	Shape              string
	Nominal            *length.Length
}

// queueJoints looks up the joints that the entries name.
func queueJoints(b *postgres.Batch, entries []Entry) *postgres.Rows[vehicle.Joint] {
	var names []vehicle.Name
	for _, e := range entries {
		if len(e.Faults) == 0 {
			names = append(names, vehicle.Name{Joint: e.Joint, Vehicle: e.Vehicle, Feature: e.Feature})
		}
	}
	if len(names) == 0 {
		return &postgres.Rows[vehicle.Joint]{}
	}
	return vehicle.FindJoints(b, names)
}

// place returns the feature that e means, or the problem with its names.
func (e Entry) place(known *vehicle.Index) (place, *problem.Error) {
	joint, feature, err := e.find(known)
	if p, _ := problem.As(err); p != nil {
		return place{}, p
	}
	return place{FeatureID: feature.ID, JointID: joint.ID, Code: feature.Code, Shape: feature.Shape, Nominal: (*length.Length)(feature.NominalNM)}, nil
}

// find fails only with problems.
func (e Entry) find(known *vehicle.Index) (*vehicle.Joint, vehicle.Feature, error) {
	feature := postgres.ParseRef(e.Feature)
	if e.Joint == "" {
		return known.ByFeature(e.Pointer+"/feature", *feature.ID) // an id, or check would have refused it
	}
	joint, err := known.Joint(e.Pointer+"/joint", postgres.ParseRef(e.Joint), e.Vehicle)
	if err != nil {
		return nil, vehicle.Feature{}, err
	}
	if e.Feature == "" {
		f, err := joint.Usual(e.Pointer + "/feature")
		return joint, f, err
	}
	f, err := joint.Feature(e.Pointer+"/feature", feature)
	return joint, f, err
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
