package history

import (
	"encoding/json"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/vehicle"
)

func (t TargetRow) target() vehicle.Target {
	return vehicle.Target{MinNM: t.MinNM, MaxNM: t.MaxNM, Fit: t.Fit, Thousandth: t.Thousandth}
}

func (m MeansRow) means() vehicle.Means {
	out := vehicle.Means{Guidance: m.Guidance, OffsetNM: m.OffsetNM}
	read(m.Boss, &out.Boss)
	read(m.Access, &out.Access)
	return out
}

// read takes text, which has the form of its schema; nothing leaves out as it is.
func read(text json.RawMessage, out any) {
	if len(text) == 0 {
		return
	}
	if err := json.Unmarshal(text, out); err != nil {
		panic("history: " + err.Error())
	}
}

func (c CylinderRow) cylinder() vehicle.Cylinder {
	return vehicle.Cylinder{Code: c.Code, Shape: c.Shape, Duty: c.Duty, NominalNM: c.NominalNM, LengthNM: c.LengthNM, Usual: c.Usual}
}

// takeJoints makes the joints that are not here.
func (k *taking) takeJoints(v vehicle.Vehicle) {
	positions := map[string]bool{}
	for _, j := range k.there.Items {
		positions[j.Position] = true
		if slices.ContainsFunc(k.Joints, func(r JointRow) bool { return r.ID == j.ID }) {
			k.joints[j.ID] = true
			for _, f := range j.Features {
				k.shapes[f.ID] = f.Shape
			}
		}
	}
	var made []vehicle.Template
	for i, r := range k.Joints {
		if of, here := k.here["joint"][r.ID]; here {
			if !k.foreign("joints", i, r.ID, of != v.ID) {
				k.report.There.Joints++
				if k.different("joint", r.ID, k.texts["joints"][i]) {
					k.leave("joints", i, r.ID, "Is told otherwise than it came before. What is here stays; edit it by hand.")
				}
			}
			continue
		}
		if positions[r.Position] {
			k.leave("joints", i, r.ID, "Another joint of the vehicle stands at its position here.")
			continue
		}
		if slices.ContainsFunc(r.Features, func(f CylinderRow) bool { _, is := k.here["feature"][*f.ID]; return is }) {
			k.foreign("joints", i, r.ID, true)
			continue
		}
		j, fault := k.jointOf(v, r)
		if fault != "" {
			k.leave("joints", i, r.ID, "Cannot be taken: "+fault+".")
			continue
		}
		positions[r.Position] = true
		k.joints[j.ID] = true
		for _, f := range j.Features {
			k.shapes[f.ID] = f.Shape
		}
		t := k.templateFor(r.Template)
		if !slices.ContainsFunc(made, func(m vehicle.Template) bool { return m.ID == t.ID }) && !k.had(t.ID) {
			made = append(made, t)
			vehicle.AddTemplate(k.tx, k.actor, t)
		}
		j.TemplateID, j.TemplateCode = t.ID, t.Code
		k.report.Taken.Joints++
		k.newRows = append(k.newRows, j)
		k.keep("joint", j.ID, nil, k.texts["joints"][i])
	}
	slices.SortFunc(k.newRows, func(a, b vehicle.Joint) int { return slices.Compare([]byte(a.Position), []byte(b.Position)) })
}

// had reports whether the club had the template before.
func (k *taking) had(id uuid.UUID) bool {
	return slices.ContainsFunc(k.templates.Items[:k.known], func(t vehicle.Template) bool { return t.ID == id })
}

// jointOf is the joint that r tells of, or what is wrong with it.
func (k *taking) jointOf(v vehicle.Vehicle, r JointRow) (j vehicle.Joint, fault string) {
	j = vehicle.Joint{ID: r.ID, VehicleID: v.ID, VehicleCode: v.Code, Position: r.Position, OwnTarget: r.Target.target(), OwnMeans: r.Means.means(), CoatingNM: r.CoatingNM, Version: 1,
		SafetyCritical: r.Template.SafetyCritical, Cautions: r.Template.Cautions, TemplateMeans: r.Template.Means.means(), TemplateTarget: r.Template.Target.target()}
	read(r.Facts, &j.Facts)
	for _, f := range r.Features {
		j.Features = append(j.Features, vehicle.Feature{ID: *f.ID, JointID: r.ID, Cylinder: f.cylinder(), Version: 1})
	}
	t := vehicle.Template{Code: r.Template.Code, Target: r.Template.Target.target(), Means: r.Template.Means.means()}
	for _, f := range r.Template.Features {
		t.Features = append(t.Features, f.cylinder())
	}
	if faults := t.Check(); len(faults) > 0 {
		return j, "its template's " + faults[0].Pointer + " " + faults[0].Detail
	}
	faults := j.CheckMeans()
	if !j.OwnTarget.IsZero() {
		faults = append(faults, j.OwnTarget.Check("/target", j.Nominal())...)
	}
	if len(faults) > 0 {
		return j, faults[0].Pointer + " " + faults[0].Detail
	}
	return j, ""
}
