package api

import (
	"fmt"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/pinseries"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/vehicle"
)

func featureOut(f vehicle.Feature, unit string) Feature {
	return Feature{Id: f.ID, JointId: f.JointID, Code: f.Code, Shape: Shape(f.Shape), Duty: Duty(f.Duty), Usual: f.Usual,
		Nominal: optionalLength(f.NominalNM, unit), Length: optionalLength(f.LengthNM, unit)}
}

func featuresOut(features []vehicle.Feature, unit string) []Feature {
	return each(features, func(f vehicle.Feature) Feature { return featureOut(f, unit) })
}

func jointOut(j vehicle.Joint, unit string) Joint {
	means := j.Means()
	return Joint{Id: j.ID, VehicleId: j.VehicleID, Position: j.Position, TemplateId: j.TemplateID, TemplateCode: j.TemplateCode,
		PinSeriesId: j.PinSeriesID(), Target: jointTargetOut(j.Target(), j.Nominal(), unit), Facts: factsOut(j.Facts),
		Boss: bossOut(means.Boss, unit), Access: accessOut(means.Access, unit), Guidance: (*Guidance)(present(means.Guidance)),
		GuidanceOffset: optionalLength(means.OffsetNM, unit), Coating: optionalLength(j.CoatingNM, unit),
		Features: featuresOut(j.Features, unit), Version: j.Version}
}

// factsOut shows what was seen; what was not seen is left out.
func factsOut(f vehicle.Facts) JointFacts {
	return JointFacts{CrackedBoss: present(f.CrackedBoss), ThinBoss: present(f.ThinBoss), SinteredBush: present(f.SinteredBush), LinedBush: present(f.LinedBush),
		HardenedBore: present(f.HardenedBore), BentLeaf: present(f.BentLeaf), LeavesOutOfLine: present(f.LeavesOutOfLine), Coated: present(f.Coated),
		BentPin: present(f.BentPin), SteppedPin: present(f.SteppedPin)}
}

// mergeFacts applies the body's facts to f (RFC 7396).
func (s *Server) mergeFacts(in *call, f vehicle.Facts) (vehicle.Facts, error) {
	object, _ := in.value.(map[string]any)
	patch, _ := object["facts"].(map[string]any)
	seen, faults, err := mergedPart(s, "JointFacts", factsOut(f), patch, "/facts")
	return vehicle.Facts{CrackedBoss: or(seen.CrackedBoss, false), ThinBoss: or(seen.ThinBoss, false), SinteredBush: or(seen.SinteredBush, false),
		LinedBush: or(seen.LinedBush, false), HardenedBore: or(seen.HardenedBore, false), BentLeaf: or(seen.BentLeaf, false),
		LeavesOutOfLine: or(seen.LeavesOutOfLine, false), Coated: or(seen.Coated, false),
		BentPin: or(seen.BentPin, false), SteppedPin: or(seen.SteppedPin, false)}, orInvalid(err, faults)
}

// jointInPath returns the joint that the address names by id or by a position
// that one vehicle has.
func jointInPath(row *postgres.Rows[vehicle.Joint], name string) (vehicle.Joint, error) {
	if len(row.Items) == 0 {
		return vehicle.Joint{}, problem.Absent()
	}
	return row.OneOf("{joint}", name, vehicle.Joint.Label)
}

// ListJoints implements the contract.
func (s *Server) ListJoints(c echo.Context, _ InClub, name InVehicle, params ListJointsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		of := vehicle.Find(b, postgres.ParseRef(name))
		var known *recommend.Snapshot
		if in.includes("estimates") {
			if p.limit > mostIncluded && params.Limit != nil {
				in.fault = problem.Invalid(problem.Fault{Pointer: "?limit", Detail: fmt.Sprintf("must be at most %d where estimates are included", mostIncluded)})
			}
			p.limit = min(p.limit, mostIncluded)
			known = recommend.QueueVehicle(b, postgres.ParseRef(name), p.key(0, ""), p.limit)
		}
		rows := vehicle.ListJoints(b, postgres.ParseRef(name), p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			if _, err := of.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(j vehicle.Joint) []string { return []string{j.Position} })
			out := JointPage{Items: make([]Joint, len(items)), Next: next}
			for i, j := range items {
				var err error
				if out.Items[i], err = in.shownJoint(j, known); err != nil {
					return answer{}, err
				}
			}
			return in.listed(out, next), nil
		}
	})
}

// CreateJoints implements the contract.
func (s *Server) CreateJoints(c echo.Context, _ InClub, name InVehicle, _ CreateJointsParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[JointSetIn](in)
		of := vehicle.Find(b, postgres.ParseRef(name))
		template := vehicle.FindTemplate(b, postgres.ParseRef(body.Template))
		series := pinSeriesNamed(b, body.PinSeries)
		taken := vehicle.TakenPositions(b, postgres.ParseRef(name), body.Positions)
		return func(tx *postgres.Tx) (answer, error) {
			v, err := of.One()
			if err != nil {
				return answer{}, err
			}
			t, err := template.OneOf("/template", body.Template, func(t vehicle.Template) string { return t.Code })
			if err != nil {
				return answer{}, err
			}
			own, err := series()
			if err != nil {
				return answer{}, err
			}
			joints, faults := newJoints(body, v, t, own)
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			if len(taken.Items) > 0 {
				return answer{}, vehicle.PositionsTaken(v.Code, taken.Items...)
			}
			vehicle.AddJoints(tx, in.caller.MemberID, joints).RunAgainOn("joint_position")
			return created(in.path("vehicles", v.ID.String(), "joints"), JointPage{Items: each(joints, func(j vehicle.Joint) Joint { return jointOut(j, in.caller.Units) })}), nil
		}
	})
}

// newJoints are the joints that body makes in v of t; own is the series that it
// names, nil for none.
func newJoints(body JointSetIn, v vehicle.Vehicle, t vehicle.Template, own *pinseries.Series) ([]vehicle.Joint, []problem.Fault) {
	nominal, seriesID := nominalOf(body, t, own)
	if faults := positiveLength("/nominal", body.Nominal); len(faults) > 0 {
		return nil, faults
	}
	target, faults := jointTargetIn("/target", body.Target, nominal)
	if body.Target == nil {
		faults = suits(t.Target, nominal)
	}
	if len(faults) > 0 {
		return nil, faults
	}
	lengths := each(or(body.Lengths, nil), func(l FeatureLengthIn) vehicle.FeatureLength {
		return vehicle.FeatureLength{Code: l.Feature, LengthNM: nanometres(&l.Length)}
	})
	joints := vehicle.NewJoints(v, t, body.Positions, nominal, seriesID, target, newID)
	for i, j := range joints {
		if joints[i], faults = j.WithLengths("/lengths", lengths); len(faults) > 0 {
			return nil, faults
		}
	}
	return joints, nil
}

// nominalOf is the nominal size of a set of joints: the one given, else the
// template's, else that of the standard pin of the series; with the id of the
// series that the set has of its own.
func nominalOf(body JointSetIn, t vehicle.Template, series *pinseries.Series) (nominal *int64, seriesID *uuid.UUID) {
	if series != nil {
		seriesID = &series.ID
		t.StandardPinNM = &series.Steps[0].PinNM
	}
	if body.Nominal != nil {
		return nanometres(body.Nominal), seriesID
	}
	return t.Nominal(), seriesID
}

// suits reports a nominal size for which the target that is already there has no
// clearance.
func suits(t vehicle.Target, nominal *int64) []problem.Fault {
	if t.IsZero() {
		return nil
	}
	faults := t.Check("", nominal)
	for i, f := range faults {
		faults[i] = problem.Fault{Pointer: "/nominal", Detail: "does not suit the target (" + f.Detail + "); give another nominal size, or a target with it"}
	}
	return faults
}

func positiveLength(at string, q *LengthIn) []problem.Fault {
	if q == nil || q.Length() > 0 {
		return nil
	}
	return []problem.Fault{{Pointer: at, Detail: "must be larger than zero"}}
}

// GetJoint implements the contract.
func (s *Server) GetJoint(c echo.Context, _ InClub, joint InJoint, _ GetJointParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := vehicle.FindJoint(b, postgres.ParseRef(joint))
		var known *recommend.Snapshot
		if in.includes("estimates") {
			known = recommend.QueueJoint(b, postgres.ParseRef(joint))
		}
		return func() (answer, error) {
			j, err := jointInPath(row, joint)
			if err != nil {
				return answer{}, err
			}
			out, err := in.shownJoint(j, known)
			if err != nil {
				return answer{}, err
			}
			return in.including(ok(out), j.Version)
		}
	})
}

// ListFeatures implements the contract.
func (s *Server) ListFeatures(c echo.Context, _ InClub, joint InJoint, _ ListFeaturesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := vehicle.FindJoint(b, postgres.ParseRef(joint))
		return func() (answer, error) {
			j, err := jointInPath(row, joint)
			return ok(FeatureList{Items: featuresOut(j.Features, in.caller.Units)}), err
		}
	})
}

// GetFeature implements the contract.
func (s *Server) GetFeature(c echo.Context, _ InClub, feature InFeature, _ GetFeatureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := vehicle.FindFeature(b, feature)
		return func() (answer, error) {
			f, err := row.One()
			return ok(featureOut(f, in.caller.Units)).versioned(f.Version, in.caller.Units), err
		}
	})
}

// PatchJoint implements the contract.
func (s *Server) PatchJoint(c echo.Context, _ InClub, joint InJoint, _ PatchJointParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[JointPatch](in)
		row := vehicle.LockJoint(b, postgres.ParseRef(joint))
		series := pinSeriesNamed(b, change.PinSeries)
		return func(tx *postgres.Tx) (answer, error) {
			was, err := jointInPath(row, joint)
			if err != nil {
				return answer{}, err
			}
			if err := in.match(was.Version, jointOut(was, in.caller.Units)); err != nil {
				return answer{}, err
			}
			j := was
			j.Position = or(change.Position, j.Position)
			if j.Facts, err = s.mergeFacts(in, j.Facts); err != nil {
				return answer{}, err
			}
			if in.names("pin_series") {
				own, err := series()
				if err != nil {
					return answer{}, err
				}
				if j.OwnPinSeriesID = nil; own != nil {
					j.OwnPinSeriesID = &own.ID
				}
			}
			if faults := positiveLength("/nominal", change.Nominal); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			j = j.WithNominal(nanometres(change.Nominal))
			j, faults := j.WithLengths("/lengths", each(or(change.Lengths, nil), func(l FeatureLengthPatch) vehicle.FeatureLength {
				return vehicle.FeatureLength{Code: l.Feature, LengthNM: nanometres(l.Length)}
			}))
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			if in.names("target") {
				if j.OwnTarget, err = s.mergeTarget(in, j); err != nil {
					return answer{}, err
				}
			}
			if j, err = s.mergeMeans(in, j, change); err != nil {
				return answer{}, err
			}
			if faults := suits(j.Target(), j.Nominal()); change.Nominal != nil && len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			j = vehicle.UpdateJoint(tx, in.caller.MemberID, was, j)
			return ok(jointOut(j, in.caller.Units)).versioned(j.Version, in.caller.Units), nil
		}
	})
}

// mergeTarget applies the body's target to the joint's own (RFC 7396); null goes
// back to the template's.
func (s *Server) mergeTarget(in *call, j vehicle.Joint) (vehicle.Target, error) {
	object, _ := in.value.(map[string]any)
	patch, _ := object["target"].(map[string]any)
	if patch == nil {
		return vehicle.Target{}, nil
	}
	own, err := targetAsGiven(j.OwnTarget, in.caller.Units)
	if err != nil {
		return vehicle.Target{}, err
	}
	asked, faults, err := mergedPart(s, "TargetIn", own, patch, "/target")
	if err != nil || len(faults) > 0 {
		return vehicle.Target{}, orInvalid(err, faults)
	}
	target, faults := jointTargetIn("/target", &asked, j.Nominal())
	return target, orInvalid(nil, faults)
}
