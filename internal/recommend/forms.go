package recommend

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/postgres"
)

// Where an expected form comes from.
const (
	FromDefault  = "default"
	FromTemplate = "template"
	FromHistory  = "club_history"
	FromAsked    = "asked"
)

// FormPrior is one version of what was learned of a kind of feature: those of
// one template and shape, at one position or, where Position is empty, at all.
type FormPrior struct {
	ID             uuid.UUID
	TemplateID     uuid.UUID
	TemplateCode   string
	Shape          string
	Position       string
	Version        int
	MadeBy         uuid.UUID
	CreatedAt      time.Time
	Features       int
	Readings       int
	Gains          int
	BellMouth      float64 // factors on the defaults
	Ovality        float64
	Surface        float64
	BaseLowUm      float64
	BaseHighUm     float64
	BaseShoulderUm float64
	Detail         PriorDetail
	Engine         string
	Digest         []byte
}

// PriorDetail is how sure the factors are, and the bases' centre and spread in
// micrometres over nominal.
type PriorDetail struct {
	BellMouth FactorDetail `json:"bell_mouth"`
	Ovality   FactorDetail `json:"ovality"`
	Surface   FactorDetail `json:"surface"`
	Centre    float64      `json:"centre_um"`
	Spread    float64      `json:"spread_um"`
}

// FactorDetail is the interval of 95 % of a factor and what it rests on.
type FactorDetail struct {
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	Sections float64 `json:"sections"`
	Weight   float64 `json:"weight"`
}

// PriorUsed is what was expected of a feature's form, in micrometres, before
// its readings.
type PriorUsed struct {
	Feature                     FeatureRow
	Source                      string
	Learned                     *FormPrior // of FromHistory
	BellMouth, Ovality, Surface float64
}

// Text tells where it comes from.
func (p PriorUsed) Text(unit length.Unit) string {
	w := speak{unit}
	means := fmt.Sprintf("a bell mouth of %s, an ovality of %s and %s of metal to be reached beyond the surface, each on average",
		w.small(p.BellMouth), w.small(p.Ovality), w.small(p.Surface))
	switch p.Source {
	case FromHistory:
		where := "at all positions"
		if p.Learned.Position != "" {
			where = "at " + p.Learned.Position
		}
		return fmt.Sprintf("By version %d of what the club's own features of this kind show %s (%d features, %d readings), %s.", p.Learned.Version, where, p.Learned.Features, p.Learned.Readings, means)
	case FromTemplate:
		return "By its template, " + means + "."
	case FromAsked:
		return "As asked, " + means + "."
	}
	return "By default (common practice, no published source), " + means + "."
}

// small spells a form error, a clearance or a shift to a tenth of a micrometre.
func (w speak) small(um float64) string {
	places := map[length.Unit]int{length.Millimetre: 4, length.Micrometre: 1, length.Inch: 5, length.Thou: 2}[w.unit]
	return length.FromMicrometres(um).Rounded(w.unit, places)
}

// priors are what was learned, those asked for first.
type priors []FormPrior

// of is the version for a feature: the first asked for that fits it, else that of its
// position, else that of all positions; nil when nothing was learned.
func (p priors) of(j JointRow, f FeatureRow) *FormPrior {
	var found *FormPrior
	for i, x := range p {
		if x.TemplateID != j.TemplateID || x.Shape != f.Shape || x.Position != "" && x.Position != j.Position {
			continue
		}
		if found == nil || found.Position == "" && x.Position != "" && !found.sameKind(x) {
			found = &p[i]
		}
	}
	return found
}

func (x *FormPrior) sameKind(y FormPrior) bool {
	return x.TemplateID == y.TemplateID && x.Shape == y.Shape && x.Position == y.Position
}

// priors of the snapshot: those named alone serve their templates and shapes.
func (s *Snapshot) priors() priors {
	if s.Priors == nil {
		return nil
	}
	if s.Named == nil {
		return s.Priors.Items
	}
	out := append(priors{}, s.Named.Items...)
	for _, x := range s.Priors.Items {
		replaced := false
		for _, y := range s.Named.Items {
			replaced = replaced || x.TemplateID == y.TemplateID && x.Shape == y.Shape
		}
		if !replaced {
			out = append(out, x)
		}
	}
	return out
}

// form is what shape to expect: as asked, else as the club's own features show,
// else as the template says, else by what the surface looked like.
func (o *observation) form(j JointRow, f FeatureRow, s *state, means FormMeans, learned priors) wornsize.Form {
	form, notes := wornsize.DefaultForm(s.surface)
	used := PriorUsed{Feature: f, Source: FromDefault}
	surface := s.surfaceOf(j)
	for _, t := range []struct {
		template *int64
		into     *float64
	}{{j.BellMouthNm, &form.BellMouth}, {j.OvalityNm, &form.Ovality}, {j.SurfaceNm, &surface}} {
		if t.template != nil {
			used.Source = FromTemplate
			*t.into = length.Length(*t.template).Micrometres()
		}
	}
	whole := j.BellMouthNm != nil && j.OvalityNm != nil && j.SurfaceNm != nil
	if l := learned.of(j, f); l != nil && l.Features+l.Gains > 0 {
		used.Source, used.Learned, whole = FromHistory, l, true
		form.BellMouth *= l.BellMouth
		form.Ovality *= l.Ovality
		surface *= l.Surface
	}
	o.allow(f, s, surface, &form)
	asked := false
	for _, t := range []struct {
		asked *float64
		into  *float64
	}{{means.BellMouth, &form.BellMouth}, {means.Ovality, &form.Ovality}, {means.Surface, &form.Surface}} {
		if t.asked != nil {
			asked = true
			*t.into = *t.asked
		}
	}
	if asked {
		used.Source, used.Learned = FromAsked, nil
		whole = whole || means.BellMouth != nil && means.Ovality != nil && means.Surface != nil
	}
	for _, n := range notes {
		if n.Code != wornsize.AssumedForm || !whole {
			o.assumed.addAll([]uncertainty.Remark{n})
		}
	}
	used.BellMouth, used.Ovality, used.Surface = form.BellMouth, form.Ovality, form.Surface
	o.priors = append(o.priors, used)
	return form
}

const priorColumns = `p.id, p.template_id, t.code as template_code, ` + learnedColumns

const learnedColumns = `p.shape, p.position, p.version, p.made_by, p.created_at, p.features, p.readings, p.gains,
	p.bell_mouth, p.ovality, p.surface, p.base_low_um, p.base_high_um, p.base_shoulder_um, p.detail, p.engine, p.digest`

const priorTables = `form_prior p join joint_template t on t.club_id = p.club_id and t.id = p.template_id`

// newestPriors are the newest versions of the kinds that the joints' features
// may be of; nobody asks them for their template's code. Served by
// form_prior_version.
func newestPriors(b *postgres.Batch, joints string, args []any) *postgres.Rows[FormPrior] {
	return postgres.Query[FormPrior](b, `select distinct on (p.template_id, p.shape, p.position) p.id, p.template_id, '' as template_code, `+learnedColumns+` from form_prior p
		where p.club_id = $1 and p.template_id = any(array(select k.template_id from joint k where k.club_id = $1 and k.id in (`+joints+`)))
		order by p.template_id, p.shape, p.position, p.version desc`, args...)
}

// FindFormPriors looks versions up by their ids. Served by the primary key.
func FindFormPriors(b *postgres.Batch, ids []uuid.UUID) *postgres.Rows[FormPrior] {
	return postgres.Query[FormPrior](b, `select `+priorColumns+` from `+priorTables+` where p.club_id = $1 and p.id = any($2) order by p.id`, b.Club, ids)
}

// ListFormPriors lists versions, newest first, before the id given, of the
// template named where one is. Served by the primary key.
func ListFormPriors(b *postgres.Batch, template *string, before uuid.UUID, limit int) *postgres.Rows[FormPrior] {
	var ref postgres.Ref
	if template != nil {
		ref = postgres.ParseRef(*template)
	}
	return postgres.Query[FormPrior](b, `select `+priorColumns+` from `+priorTables+`
		where p.club_id = $1 and p.id < $2 and ($3 or t.id = $4 or t.code = $5) order by p.id desc limit $6`, b.Club, before, template == nil, ref.ID, ref.Name, limit)
}
