package api

import (
	"slices"

	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

func jointTemplateOut(t vehicle.Template, unit string) JointTemplate {
	out := JointTemplate{Id: t.ID, Code: t.Code, Name: t.Name, Guidance: JointTemplateGuidance(t.Guidance),
		GuidanceOffset: optionalLength(t.OffsetNM, unit), Boss: bossOut(t.Boss, unit), Access: accessOut(t.Access, unit), SafetyCritical: t.SafetyCritical,
		Cautions: each(t.Cautions, func(c string) string { return c }), PinSeriesId: t.PinSeriesID, Version: t.Version,
		Target: jointTargetOut(t.Target, t.Nominal(), unit), Features: each(t.Features, func(f vehicle.Cylinder) TemplateFeature {
			return TemplateFeature{Code: f.Code, Shape: Shape(f.Shape), Duty: Duty(f.Duty), Usual: f.Usual,
				Nominal: optionalLength(f.NominalNM, unit), Length: optionalLength(f.LengthNM, unit)}
		})}
	if t.Form != (vehicle.Form{}) {
		out.Form = &Form{BellMouth: optionalLength(t.Form.BellMouthNM, unit), Ovality: optionalLength(t.Form.OvalityNM, unit), Surface: optionalLength(t.Form.SurfaceNM, unit)}
	}
	return out
}

// jointTemplateIn makes a template of what was sent, but for its pin series.
func jointTemplateIn(body JointTemplateIn) vehicle.Template {
	t := vehicle.Template{ID: newID(), Code: body.Code, Name: body.Name,
		Means: vehicle.Means{Guidance: string(or(body.Guidance, JointTemplateInGuidanceFloating)), OffsetNM: nanometres(body.GuidanceOffset),
			Boss: bossIn(body.Boss), Access: accessIn(body.Access)},
		SafetyCritical: or(body.SafetyCritical, false), Version: 1,
		Cautions: each(or(body.Cautions, nil), func(c JointTemplateInCautions) string { return string(c) }),
		Features: each(body.Features, func(f FeatureIn) vehicle.Cylinder {
			return vehicle.Cylinder{Code: f.Code, Shape: string(f.Shape), Duty: string(f.Duty), NominalNM: nanometres(f.Nominal), LengthNM: nanometres(f.Length), Usual: or(f.Usual, false)}
		})}
	slices.Sort(t.Cautions)
	t.Cautions = slices.Compact(t.Cautions)
	if f := body.Form; f != nil {
		t.Form = vehicle.Form{BellMouthNM: nanometres(f.BellMouth), OvalityNM: nanometres(f.Ovality), SurfaceNM: nanometres(f.Surface)}
	}
	return t
}

// ListJointTemplates implements the contract.
func (s *Server) ListJointTemplates(c echo.Context, _ InClub, _ ListJointTemplatesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := vehicle.ListTemplates(b, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(t vehicle.Template) []string { return []string{t.Code} })
			return in.listed(JointTemplatePage{Items: each(items, func(t vehicle.Template) JointTemplate { return jointTemplateOut(t, in.caller.Units) }), Next: next}, next), nil
		}
	})
}

// CreateJointTemplate implements the contract.
func (s *Server) CreateJointTemplate(c echo.Context, _ InClub, _ CreateJointTemplateParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[JointTemplateIn](in)
		series := pinSeriesNamed(b, body.PinSeries)
		return func(tx *postgres.Tx) (answer, error) {
			of, err := series()
			if err != nil {
				return answer{}, err
			}
			t := jointTemplateIn(body)
			if of != nil {
				t.PinSeriesID, t.StandardPinNM = &of.ID, &of.Steps[0].PinNM
			}
			faults := t.Check()
			target, wrong := jointTargetIn("/target", body.Target, t.Nominal())
			if faults = append(faults, wrong...); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			t.Target = target
			vehicle.AddTemplate(tx, in.caller.MemberID, t)
			return created(in.path("joint-templates", t.ID.String()), jointTemplateOut(t, in.caller.Units)).versioned(t.Version, in.caller.Units), nil
		}
	})
}

// GetJointTemplate implements the contract.
func (s *Server) GetJointTemplate(c echo.Context, _ InClub, jointTemplate InJointTemplate, _ GetJointTemplateParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := vehicle.FindTemplate(b, postgres.ParseRef(jointTemplate))
		return func() (answer, error) {
			t, err := row.One()
			return ok(jointTemplateOut(t, in.caller.Units)).versioned(t.Version, in.caller.Units), err
		}
	})
}
