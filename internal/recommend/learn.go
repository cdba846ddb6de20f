package recommend

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/formprior"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
)

// mostLearned bounds the features that one version is learned from, in a
// request: those read last.
const mostLearned = 16

// History is what a club knows of a kind of feature; its rows are filled when
// the batch was sent.
type History struct {
	Template *postgres.Rows[struct {
		ID   uuid.UUID
		Code string
	}]
	joints   *postgres.Rows[JointRow]
	features *postgres.Rows[FeatureRow]
	readings *postgres.Rows[reading.Observation]
	newest   *postgres.Rows[FormPrior]
	shape    string
	position string
}

// QueueHistory gathers the features of a template's joints, of one shape and, where one is
// named, at one position. Served by joint's and feature's keys and
// reading_of_feature.
func QueueHistory(b *postgres.Batch, template, shape string, position *string) *History {
	ref := postgres.ParseRef(template)
	h := &History{shape: shape}
	if position != nil {
		h.position = *position
	}
	const chosen = `select f.id from joint_template t
		join joint j on j.club_id = t.club_id and j.template_id = t.id
		join feature f on f.club_id = j.club_id and f.joint_id = j.id
		join lateral (select r.taken_at from reading r where r.club_id = f.club_id and r.feature_id = f.id order by r.taken_at desc, r.id desc limit 1) l on true
		where t.club_id = $1 and (t.id = $2 or t.code = $3) and f.shape = $4 and ($5 = '' or j.position = $5) and f.nominal_nm is not null
		order by l.taken_at desc, f.id limit $6`
	args := []any{ref.ID, ref.Name, shape, h.position, mostLearned}
	all := append([]any{b.Club}, args...)
	h.Template = postgres.Query[struct {
		ID   uuid.UUID
		Code string
	}](b, `select t.id, t.code from joint_template t where t.club_id = $1 and (t.id = $2 or t.code = $3)`, b.Club, ref.ID, ref.Name)
	h.features = postgres.Query[FeatureRow](b, `select f.id, f.joint_id, f.code, f.shape, f.duty, f.nominal_nm, f.length_nm, f.usual
		from feature f where f.club_id = $1 and f.id in (`+chosen+`) order by f.id`, all...)
	h.joints = postgres.Query[JointRow](b, `select `+jointColumns+` from `+jointTables+` where j.club_id = $1
		and j.id in (select g.joint_id from feature g where g.club_id = $1 and g.id in (`+chosen+`)) order by j.id`, all...)
	h.readings = reading.Standing(b, chosen, args...)
	h.newest = postgres.Query[FormPrior](b, `select `+priorColumns+` from `+priorTables+`
		where p.club_id = $1 and (t.id = $2 or t.code = $3) and p.shape = $4 and p.position = $5 order by p.version desc limit 1`, b.Club, ref.ID, ref.Name, shape, h.position)
	return h
}

// Learn learns from the history; fresh is false when the newest version rests on
// the same, and is returned.
func (h *History) Learn(id, by uuid.UUID, at time.Time) (prior FormPrior, fresh bool, err error) {
	if len(h.Template.Items) == 0 {
		return FormPrior{}, false, problem.Invalid(problem.Fault{Pointer: "/template", Detail: "there is no such joint template in this club; GET the list"})
	}
	t := h.Template.Items[0]
	sum := digest(Engine, t.ID, h.shape, h.position, h.joints.Items, h.features.Items, h.readings.Items)
	next := FormPrior{ID: id, TemplateID: t.ID, TemplateCode: t.Code, Shape: h.shape, Position: h.position, Version: 1, MadeBy: by, CreatedAt: at, Engine: Engine, Digest: sum[:]}
	if len(h.newest.Items) > 0 {
		if bytes.Equal(h.newest.Items[0].Digest, sum[:]) {
			return h.newest.Items[0], false, nil
		}
		next.Version = h.newest.Items[0].Version + 1
	}
	known, err := h.known()
	if err != nil {
		return FormPrior{}, false, err
	}
	l, err := formprior.Learn(known)
	if err != nil {
		return FormPrior{}, false, fmt.Errorf("learn: %w", err)
	}
	detail := func(f formprior.Factor) FactorDetail { return FactorDetail{f.Low, f.High, f.Sections, f.Weight} }
	next.Features, next.Readings, next.Gains = l.Features, l.Readings, l.Gains
	next.BellMouth, next.Ovality, next.Surface = l.BellMouth.Value, l.Ovality.Value, l.Surface.Value
	next.BaseLowUm, next.BaseHighUm, next.BaseShoulderUm = l.Base.Low, l.Base.High, l.Base.Shoulder
	next.Detail = PriorDetail{detail(l.BellMouth), detail(l.Ovality), detail(l.Surface), l.Centre, l.Spread}
	return next, true, nil
}

// known makes the rows ready for learning: of each feature what was read while
// it was worn, before anybody reamed it.
func (h *History) known() (formprior.History, error) {
	out := formprior.History{Shape: shapeOf(FeatureRow{Shape: h.shape})}
	out.Base, _ = wornsize.DefaultPrior(out.Shape, 8000)
	for i, f := range h.features.Items {
		nominal := length.Length(*f.NominalNm)
		if i == 0 {
			out.Base, _ = wornsize.DefaultPrior(out.Shape, nominal.Micrometres())
		}
		worn := h.worn(f.ID)
		at := slices.IndexFunc(h.joints.Items, func(j JointRow) bool { return j.ID == f.JointID })
		if at < 0 {
			continue // it was read for the first time between two lookups
		}
		j := h.joints.Items[at]
		o, err := observe([]JointRow{j}, []FeatureRow{f}, worn, nominal, nominal, FormMeans{}, nil)
		if err != nil {
			return out, problem.Invalid(problem.Fault{Pointer: "/template", Detail: "a reading of joint " + j.Position + " cannot be used: " + err.Error()})
		}
		s := stateOf(worn)
		known := formprior.Feature{Readings: o.set.Features[0].Readings, Commons: o.set.Commons, Form: o.set.Features[0].Form}
		known.Form.Surface = s.surfaceOf(j)
		known.Gain = o.gain(f, worn)
		out.Features = append(out.Features, known)
	}
	return out, nil
}

// worn are the last readings of a feature before it was cut, at most as many as
// can be learned from.
func (h *History) worn(feature uuid.UUID) []reading.Observation {
	var cut time.Time
	var own []reading.Observation
	for _, r := range h.readings.Items {
		if r.FeatureID != feature || r.Doubtful != nil {
			continue
		}
		if (r.Stage == "reamed" || r.Stage == "assembled") && (cut.IsZero() || r.TakenAt.Before(cut)) {
			cut = r.TakenAt
		}
		own = append(own, r)
	}
	own = slices.DeleteFunc(own, func(r reading.Observation) bool {
		return r.Stage == "reamed" || r.Stage == "assembled" || !cut.IsZero() && !r.TakenAt.Before(cut)
	})
	slices.SortFunc(own, func(a, b reading.Observation) int {
		return cmp.Or(a.TakenAt.Compare(b.TakenAt), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return own[max(0, len(own)-formprior.MostReadings):]
}

// gain is by how much cleaning enlarged the only feature of o, or thinned it:
// the mean of what was measured after less before. Where on the surface it was
// measured is not matched, so that ovality blurs it, by 1/√8 of its mean for each reading.
func (o *observation) gain(f FeatureRow, worn []reading.Observation) *formprior.Gain {
	set := o.set.Features[0]
	var sum, variance, count [2]float64
	commons := [2]map[int]bool{{}, {}}
	for i, r := range set.Readings {
		k := slices.IndexFunc(worn, func(x reading.Observation) bool { return x.ID == o.readings[0][i] })
		if r.Kind != wornsize.Measured || worn[k].Stage != "as_found" && worn[k].Stage != "cleaned" {
			continue
		}
		at := 0
		if worn[k].Stage == "cleaned" {
			at = 1
		}
		sum[at] += r.Value
		variance[at] += r.U*r.U + set.Form.Ovality*set.Form.Ovality/8
		count[at]++
		commons[at][r.Common] = true
	}
	if count[0] == 0 || count[1] == 0 {
		return nil
	}
	g := formprior.Gain{Size: sum[1]/count[1] - sum[0]/count[0]}
	if f.Shape == "pin" {
		g.Size = -g.Size
	}
	v := variance[0]/(count[0]*count[0]) + variance[1]/(count[1]*count[1])
	for c := range o.set.Commons { // what both were read with does not blur their difference
		if commons[0][c] != commons[1][c] {
			v += o.set.Commons[c].U * o.set.Commons[c].U
		}
	}
	g.U = math.Sqrt(v)
	return &g
}

// AddFormPrior stores a version for good.
func AddFormPrior(tx *postgres.Tx, p FormPrior) {
	detail, err := json.Marshal(p.Detail)
	if err != nil {
		panic("recommend: " + err.Error()) // finite numbers of ours
	}
	tx.Queue(`insert into form_prior (club_id, id, template_id, shape, position, version, made_by, created_at, features, readings, gains, bell_mouth, ovality, surface,
		base_low_um, base_high_um, base_shoulder_um, detail, engine, digest) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)`,
		tx.Club, p.ID, p.TemplateID, p.Shape, p.Position, p.Version, p.MadeBy, p.CreatedAt, p.Features, p.Readings, p.Gains, p.BellMouth, p.Ovality, p.Surface,
		p.BaseLowUm, p.BaseHighUm, p.BaseShoulderUm, detail, p.Engine, p.Digest).
		Refuse("form_prior_version", &problem.Error{Kind: problem.Unavailable, Detail: "Somebody else learned of the same kind at this moment. Send it again.", RetryAfter: time.Second})
	journal.Append(tx, journal.Event{Type: "form_prior.created", Subject: p.ID, Version: 1, Audience: journal.ForClub, Actor: p.MadeBy}, p.Digest)
}
