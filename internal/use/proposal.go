package use

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Sources of proposals.
const (
	FromVerification = "verification"
	FromStep         = "step"
	FromReadings     = "readings"
)

// Proposed is a use that seems to have been, with where that is known from.
type Proposed struct {
	Use
	Source         string
	StepID         *uuid.UUID
	VerificationID *uuid.UUID
	step           string // its name
	cutNm          *int64 // to which size
	beforeRead     bool   // its size before is a reading's
}

// Lent is a loan as proposals need it.
type Lent struct {
	ID          uuid.UUID
	ToolID      uuid.UUID
	ToolNumber  string
	Kind, Model string
	MemberID    uuid.UUID
	CollectedAt time.Time
	EndedAt     *time.Time
	Ended       string
}

type cutRow struct {
	VerificationID, FeatureID uuid.UUID
	CutAt                     time.Time
	SizeNm                    int64
	DepthNm                   *int64
	RepairID                  uuid.UUID
	RepairNumber              int
	JointID                   uuid.UUID
	Position, Feature         string
	Guidance, Metal           string
	BeforeNm                  *int64
}

type boreRow struct {
	ID       uuid.UUID `json:"id"`
	Code     string    `json:"code"`
	LengthNm *int64    `json:"length_nm"`
	Cut      bool      `json:"cut"` // a verification of the repair says by which reamer
}

type stepRow struct {
	ID              uuid.UUID
	JointID         *uuid.UUID
	Position        string
	DoneAt          time.Time
	RepairID        uuid.UUID
	RepairNumber    int
	Phase, Name     string
	Tools           json.RawMessage
	Bores           json.RawMessage
	Guidance, Metal string
}

type readRow struct {
	Count int
	Last  *time.Time
}

// Hints is what is known of a loan.
type Hints struct {
	loans    *postgres.Rows[Lent]
	cuts     *postgres.Rows[cutRow]
	steps    *postgres.Rows[stepRow]
	read     *postgres.Rows[readRow]
	recorded *postgres.Rows[Use]
}

// what a joint's own guidance and metal are, else its template's.
const ofJoint = `coalesce(j.guidance, m.guidance) as guidance, coalesce(j.boss ->> 'material', m.boss ->> 'material', '') as metal`

// FindHints looks up what the tool of a loan seems to have done. Served by loan_pkey, reamer_cut_of_tool,
// repair_step_done, workplan_reservation_pkey, reading_by_instrument and tool_use_of_loan.
func FindHints(b *postgres.Batch, loan uuid.UUID) *Hints {
	return &Hints{
		loans: postgres.Query[Lent](b, `select l.id, l.tool_id, t.number as tool_number, m.kind, m.code as model, l.member_id, l.collected_at, l.ended_at, coalesce(l.ended, '') as ended
			from loan l join tool t on t.club_id = l.club_id and t.id = l.tool_id join tool_model m on m.club_id = t.club_id and m.id = t.model_id where l.club_id = $1 and l.id = $2`, b.Club, loan),
		// A hole may be read after the reamer is back: the cut is of the last loan before it was.
		cuts: postgres.Query[cutRow](b, `select distinct on (k.feature_id, k.cut_at) k.verification_id, k.feature_id, k.cut_at, k.size_nm, coalesce(k.depth_nm, f.length_nm) as depth_nm, v.repair_id, r.number as repair_number,
				v.joint_id, j.position, f.code as feature, `+ofJoint+`,
				(select x.size_nm from reading x where x.club_id = k.club_id and x.feature_id = k.feature_id and x.taken_at < k.cut_at and x.kind = 'measured' and x.doubtful is null
					and not exists (select from reading_void o where o.club_id = x.club_id and o.reading_id = x.id) order by x.taken_at desc, x.id desc limit 1) as before_nm
			from loan l join reamer_cut k on k.club_id = l.club_id and k.tool_id = l.tool_id and k.cut_at >= l.collected_at
				and k.cut_at < coalesce((select min(n.collected_at) from loan n where n.club_id = l.club_id and n.tool_id = l.tool_id and n.collected_at > l.collected_at and n.ended is distinct from 'undone'), 'infinity')
			join verification v on v.club_id = k.club_id and v.id = k.verification_id join repair r on r.club_id = v.club_id and r.id = v.repair_id
			join joint j on j.club_id = v.club_id and j.id = v.joint_id join joint_template m on m.club_id = j.club_id and m.id = j.template_id join feature f on f.club_id = k.club_id and f.id = k.feature_id
			where l.club_id = $1 and l.id = $2 order by k.feature_id, k.cut_at, k.verification_id desc`, b.Club, loan),
		steps: postgres.Query[stepRow](b, `with lent as (select l.* from loan l where l.club_id = $1 and l.id = $2),
				did as materialized (
					select x.id from lent l join repair_step x on x.club_id = $1 and x.done_by = l.member_id and x.done_at >= l.collected_at and x.done_at <= coalesce(l.ended_at, 'infinity') where x.state = 'done'
					union select x.id from lent l join workplan_reservation w on w.club_id = $1 and w.reservation_id = l.reservation_id join workplan p on p.club_id = $1 and p.id = w.workplan_id
						join repair_step x on x.club_id = $1 and x.repair_id = p.repair_id and x.done_at >= l.collected_at and x.done_at <= coalesce(l.ended_at, 'infinity') where x.state = 'done')
			select s.id, s.joint_id, coalesce(j.position, '') as position, s.done_at, r.id as repair_id, r.number as repair_number, coalesce(e.steps -> s.ordinal::integer ->> 'phase', '') as phase,
				coalesce(e.steps -> s.ordinal::integer ->> 'name', s.key) as name, coalesce(e.steps -> s.ordinal::integer -> 'tools', '[]') as tools, coalesce(j.guidance, m.guidance, '') as guidance,
				coalesce(j.boss ->> 'material', m.boss ->> 'material', '') as metal,
				coalesce((select jsonb_agg(jsonb_build_object('id', f.id, 'code', f.code, 'length_nm', f.length_nm, 'cut', exists (select from verification v join reamer_cut k on k.club_id = v.club_id
						and k.verification_id = v.id and k.feature_id = f.id where v.club_id = $1 and v.repair_id = r.id)) order by f.ordinal)
					from feature f where f.club_id = $1 and f.joint_id = s.joint_id and f.shape = 'bore' and f.duty = 'running'), '[]') as bores
			from did join repair_step s on s.club_id = $1 and s.id = did.id join repair r on r.club_id = $1 and r.id = s.repair_id
			join procedure_edition e on e.club_id = $1 and e.procedure_id = r.procedure_id and e.edition = r.edition
			left join joint j on j.club_id = $1 and j.id = s.joint_id left join joint_template m on m.club_id = $1 and m.id = j.template_id order by s.done_at, s.id`, b.Club, loan),
		read: postgres.Query[readRow](b, `select count(*)::int as count, max(x.taken_at) as last from loan l join reading x on x.club_id = l.club_id and x.instrument_id = l.tool_id
			and x.taken_at >= l.collected_at and x.taken_at <= coalesce(l.ended_at, 'infinity') where l.club_id = $1 and l.id = $2
			and not exists (select from reading_void o where o.club_id = x.club_id and o.reading_id = x.id)`, b.Club, loan),
		recorded: postgres.Query[Use](b, fmt.Sprintf(shown, "tool_use")+` where u.club_id = $1 and u.loan_id = $2 and u.voided_at is null order by u.used_at, u.id`, b.Club, loan),
	}
}

// Proposals is what a loan's tool seems to have done and is not on record yet.
type Proposals struct {
	Lent
	Uses     []Proposed
	Recorded int
}

// Propose works out the proposals of the loan, earliest first.
func (h *Hints) Propose(now time.Time) (Proposals, error) {
	l, err := h.loans.One()
	if err != nil || l.Ended == "undone" {
		return Proposals{Lent: l}, err
	}
	out := Proposals{Lent: l, Recorded: len(h.recorded.Items)}
	seen := h.fromCuts(l)
	for _, s := range h.steps.Items {
		more, err := fromStep(l, s)
		if err != nil {
			return out, err
		}
		for _, p := range more {
			if !slices.ContainsFunc(seen, p.tells) {
				seen = append(seen, p)
			}
		}
	}
	for _, p := range seen {
		if !slices.ContainsFunc(h.recorded.Items, func(u Use) bool { return u.covers(p) }) {
			out.Uses = append(out.Uses, p)
		}
	}
	if n := h.unread(); n > 0 && measures(l.Kind) {
		p := Proposed{Source: FromReadings, Use: Use{Work: Measurements, Count: min(n, 10_000), UsedAt: now}}
		if last := h.read.Items[0].Last; last != nil {
			p.UsedAt = *last
		}
		out.Uses = append(out.Uses, p)
	}
	for i := range out.Uses {
		p := &out.Uses[i]
		p.LoanID, p.MemberID, p.ToolID, p.UsedAt = &l.ID, l.MemberID, l.ToolID, p.UsedAt.UTC()
		if l.EndedAt != nil && p.UsedAt.After(*l.EndedAt) {
			p.UsedAt = l.EndedAt.UTC()
		}
	}
	slices.SortStableFunc(out.Uses, func(a, b Proposed) int { return a.UsedAt.Compare(b.UsedAt) })
	return out, nil
}

// unread is how many readings with the tool no use on record counts.
func (h *Hints) unread() int {
	n := 0
	for _, r := range h.read.Items {
		n += r.Count
	}
	for _, u := range h.recorded.Items {
		if u.Work == Measurements {
			n -= u.Count
		}
	}
	return n
}

// fromCuts are the cuts that verifications found, each feature once: cut anew, it counts as often.
func (h *Hints) fromCuts(l Lent) (out []Proposed) {
	for _, k := range h.cuts.Items {
		if at := slices.IndexFunc(out, func(p Proposed) bool { return *p.FeatureID == k.FeatureID }); at >= 0 {
			out[at].Count++
			out[at].UsedAt, out[at].VerificationID, out[at].cutNm = k.CutAt, &k.VerificationID, &k.SizeNm
			continue
		}
		p := Proposed{Source: FromVerification, VerificationID: &k.VerificationID, cutNm: &k.SizeNm, beforeRead: k.BeforeNm != nil, Use: Use{Work: Holes, Count: 1, UsedAt: k.CutAt,
			RepairID: &k.RepairID, RepairNumber: &k.RepairNumber, JointID: &k.JointID, Position: &k.Position, FeatureID: &k.FeatureID, Feature: &k.Feature,
			SizeBeforeNm: k.BeforeNm, Cut: cutOf(k.DepthNm, k.Guidance, k.Metal)}}
		if p.SizeBeforeNm != nil && *p.SizeBeforeNm > k.SizeNm { // it was read wrongly, or as another bore
			p.SizeBeforeNm, p.beforeRead = nil, false
		}
		out = append(out, p)
	}
	return out
}

// metals are the materials of the reaming tables by those of bosses, where one is surely meant by the other.
var metals = map[string]string{"steel_mild": "low_carbon_steel", "cast_iron_grey": "grey_cast_iron", "cast_iron_malleable": "malleable_iron", "bronze": "bronze", "brass": "brass"}

func cutOf(depth *int64, guidance, metal string) Cut {
	c := Cut{DepthNm: depth}
	if guidance != "" {
		c.Guidance = &guidance
	}
	if m, known := metals[metal]; known {
		c.Material = &m
	}
	return c
}

// phases are the kinds of work by the phases of repairs, and the kind of tool that does it where a step names
// none.
var phases = map[string]struct{ work, kind string }{"ream": {Holes, "reamer"}, "pull": {Pulls, "puller"}, "press": {Pressings, "press"}}

// fromStep is what a finished step says that the tool did.
func fromStep(l Lent, s stepRow) ([]Proposed, error) {
	does, known := phases[s.Phase]
	if !known || s.JointID == nil {
		return nil, nil
	}
	var tools []struct {
		Kind  string `json:"kind"`
		Model string `json:"tool_model"`
	}
	var bores []boreRow
	if err := json.Unmarshal(s.Tools, &tools); err != nil {
		return nil, fmt.Errorf("use: tools of a step: %w", err)
	}
	if err := json.Unmarshal(s.Bores, &bores); err != nil {
		return nil, fmt.Errorf("use: bores of a step: %w", err)
	}
	takes := l.Kind == does.kind
	if len(tools) > 0 {
		takes = false
		for _, t := range tools {
			takes = takes || t.Kind == l.Kind || t.Model != "" && t.Model == l.Model
		}
	}
	if !takes || !slices.Contains(worksOf(l.Kind), does.work) {
		return nil, nil
	}
	p := Proposed{Source: FromStep, StepID: &s.ID, step: s.Name, Use: Use{Work: does.work, Count: 1, UsedAt: s.DoneAt, RepairID: &s.RepairID, RepairNumber: &s.RepairNumber, JointID: s.JointID, Position: &s.Position}}
	if does.work != Holes {
		return []Proposed{p}, nil
	}
	var out []Proposed
	for _, bore := range bores {
		if bore.Cut { // by which reamer, the verification says
			continue
		}
		one := p
		one.FeatureID, one.Feature, one.Cut = &bore.ID, &bore.Code, cutOf(bore.LengthNm, s.Guidance, s.Metal)
		out = append(out, one)
	}
	return out, nil
}

// tells reports whether q is the same work at the same place.
func (p Proposed) tells(q Proposed) bool {
	return p.Work == q.Work && same(p.FeatureID, q.FeatureID) && same(p.JointID, q.JointID)
}

// covers reports whether u, which is on record, is what p proposes: of that feature or, where u names
// none, of that joint or, where it names none either, of that repair.
func (u Use) covers(p Proposed) bool {
	switch {
	case u.Work != p.Work:
		return false
	case u.FeatureID != nil:
		return same(u.FeatureID, p.FeatureID) || p.FeatureID == nil && same(u.JointID, p.JointID)
	case u.JointID != nil:
		return same(u.JointID, p.JointID)
	}
	return u.RepairID != nil && same(u.RepairID, p.RepairID)
}

// Why says where p comes from.
func (p Proposed) Why(unit length.Unit) string {
	switch p.Source {
	case FromVerification:
		text := fmt.Sprintf("A verification of repair R%d found that it cut %s of %s to %s.", *p.RepairNumber, *p.Feature, *p.Position, length.FromMicrometres(float64(*p.cutNm)/1000).Rounded(unit, 4))
		if p.beforeRead {
			text += " The size before is as the bore was last measured before it."
		}
		return text
	case FromStep:
		return fmt.Sprintf("The step “%s” of %s of repair R%d was finished while it was out.", strings.TrimSuffix(p.step, "."), *p.Position, *p.RepairNumber)
	}
	if p.Count == 1 {
		return "A reading that names it was taken while it was out."
	}
	return fmt.Sprintf("%d readings that name it were taken while it was out, and no use on record counts them.", p.Count)
}
