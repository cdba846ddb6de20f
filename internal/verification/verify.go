package verification

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/conformity"
	"pinwright/internal/calc/fitproof"
	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/repair"
	"pinwright/internal/vehicle"
)

// Verification is a verdict on one joint of a repair.
type Verification struct {
	ID       uuid.UUID
	RepairID uuid.UUID
	JointID  uuid.UUID
	Position string `json:"-"`
	StepID   *uuid.UUID
	Verdict  string
	Risk     float64
	Content  Content
	MemberID uuid.UUID
	At       time.Time
	// Nonconformity is the one that it opened; nil for none.
	Nonconformity *uuid.UUID `json:"-"`
}

// Content is what a verdict rests on; lengths are micrometres.
type Content struct {
	SeriesID       *uuid.UUID         `json:"series_id,omitempty"`
	Step           string             `json:"step,omitempty"`
	Pin            Pin                `json:"pin"`
	Target         vehicle.Target     `json:"target"`
	NominalNM      int64              `json:"nominal_nm"`
	Low            float64            `json:"low"` // the clearance wanted
	High           float64            `json:"high"`
	Since          time.Time          `json:"since"` // readings from then on
	Bores          []Bore             `json:"bores"`
	ReamerTool     *uuid.UUID         `json:"reamer_tool,omitempty"`
	Closed         []uuid.UUID        `json:"closed,omitempty"` // nonconformities that it settled
	Warnings       []recommend.Remark `json:"warnings"`
	Assumed        []recommend.Remark `json:"assumed"`
	SafetyCritical bool               `json:"safety_critical"`
	Engine         string             `json:"engine"`
}

// Pin is what is known of the pin's size: its series' limits, or what was measured.
type Pin struct {
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	U        float64 `json:"u"`
	Measured bool    `json:"measured"`
}

// Bore is one running bore with its judgement.
type Bore struct {
	FeatureID  uuid.UUID      `json:"feature_id"`
	Code       string         `json:"code"`
	Readings   []uuid.UUID    `json:"readings"`
	Passing    recommend.Size `json:"passing"`
	Largest    recommend.Size `json:"largest"`
	TooTight   float64        `json:"too_tight"`
	TooLoose   float64        `json:"too_loose"`
	Conforming float64        `json:"conforming"`
	Verdict    string         `json:"verdict"`
	Go         *Gauge         `json:"go,omitempty"` // to try, where it would tell
	NoGo       *Gauge         `json:"no_go,omitempty"`
	CutNM      *int64         `json:"cut_nm,omitempty"` // what the reamer cut
	CutU       *int64         `json:"cut_u_nm,omitempty"`
}

// Gauge is a pin to try, and the probability that it goes in.
type Gauge struct {
	Size float64 `json:"size"`
	Goes float64 `json:"goes"`
}

// Engine names the rules that a verdict was made by.
const Engine = "fitproof 1"

// Reamer is a tool that is said to have made the cut.
type Reamer struct {
	ID     uuid.UUID
	Number string
	Kind   string
	SizeNm *int64
}

// FindReamer looks a tool up with what its model says.
func FindReamer(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Reamer] {
	return postgres.Query[Reamer](b, `select t.id, t.number, m.kind, m.size_nm from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id
		where t.club_id = $1 and (t.id = $2 or t.number = $3)`, b.Club, ref.ID, ref.Name)
}

// Ask is what is to be verified.
type Ask struct {
	Work     *repair.Work
	Joint    repair.Joint
	Snapshot *recommend.Snapshot // with the joint named, perhaps beside others of its name
	Open     []Nonconformity     // of the repair, open and closed
	Series   bool                // the pin series was named
	Step     string              // of the series; empty: what was chosen
	Pin      *Pin                // measured, µm
	Risk     float64
	Since    *time.Time
	Reamer   *Reamer
	StepID   *uuid.UUID
	Unit     length.Unit
	Currency string
}

// mostOff is how far a bore may lie beside the size of the reamer that is named, µm: what is
// farther was cut by another, or read wrong.
const mostOff = 150

// Judge makes the verdict, and of a refusal the options that are left. Its errors tell
// what is missing.
func Judge(q Ask, id, by uuid.UUID, now time.Time) (Verification, []Option, error) {
	v := Verification{ID: id, RepairID: q.Work.ID, JointID: q.Joint.JointID, Position: q.Joint.Position, StepID: q.StepID, Risk: q.Risk, MemberID: by, At: now}
	s := q.Snapshot.Only(q.Joint.JointID, q.Series)
	if len(s.Joints.Items) == 0 {
		return v, nil, problem.Invalid(problem.Fault{Pointer: "/joint", Detail: "is not known any more; GET the repair"})
	}
	if len(s.Steps.Items) == 0 {
		return v, nil, problem.Invalid(problem.Fault{Pointer: "/pin_series", Detail: "name the pin series of the new pin; the joint has none of its own"})
	}
	step, err := q.step(s.Steps.Items)
	if err != nil {
		return v, nil, err
	}
	c := &v.Content
	c.Engine, c.Step, c.SeriesID, c.NominalNM, c.SafetyCritical = Engine, step.Code, &step.SeriesID, s.Steps.Items[0].PinNm, q.Joint.SafetyCritical
	c.Since = since(q)
	target, assumed := s.Joints.Items[0].Target()
	c.Target = target
	if assumed != nil {
		c.Assumed = append(c.Assumed, *assumed)
	}
	wanted, err := target.Resolve(&c.NominalNM)
	if err != nil {
		return v, nil, problem.Invalid(problem.Fault{Pointer: "/joint", Detail: "its target cannot be told: " + err.Error()})
	}
	c.Low, c.High = wanted.Min.Micrometres(), wanted.Max.Micrometres()
	c.Pin = Pin{Low: length.Length(step.PinNm + step.ToleranceLowerNm).Micrometres(), High: length.Length(step.PinNm + step.ToleranceUpperNm).Micrometres()}
	if q.Pin != nil {
		c.Pin = *q.Pin
		c.Pin.Measured = true
	}
	s.AfterCut(c.Since)
	estimates, err := recommend.EstimateCut(s, q.Joint.JointID, q.Unit)
	if err != nil {
		return v, nil, err
	}
	c.Assumed = append(c.Assumed, recommend.FormOfCut())
	var answers []fitproof.Answer
	var unread []string
	for _, e := range estimates {
		if len(e.Readings) == 0 {
			unread = append(unread, e.Feature.Code)
			continue
		}
		bore, answer, err := judgeBore(c, e, q)
		if err != nil {
			return v, nil, err
		}
		c.Bores, answers = append(c.Bores, bore), append(answers, answer)
		c.Warnings = append(c.Warnings, e.Warnings...)
	}
	switch {
	case len(estimates) == 0:
		return v, nil, problem.New(problem.NotAllowedNow, "%s has no running bore, so there is no fit to verify.", q.Joint.Position)
	case len(unread) > 0:
		return v, nil, problem.New(problem.NotAllowedNow, "Nothing was read of %s of %s since %s. Read each bore after the cut, post the readings with stage reamed, and ask again.",
			strings.Join(unread, " and "), q.Joint.Position, c.Since.UTC().Format("2006-01-02 15:04 MST"))
	}
	v.Verdict = string(fitproof.Together(answers, q.Risk))
	if q.Reamer != nil {
		c.ReamerTool = &q.Reamer.ID
	}
	var options []Option
	if v.Verdict == string(conformity.Refused) {
		options = left(q, s, step, now)
	}
	return v, options, nil
}

// step is the pin that is to run in the joint: as asked, as decided after something went
// wrong, else as the recommendation chose.
func (q Ask) step(steps []recommend.StepRow) (recommend.StepRow, error) {
	code, from := q.Step, "/step"
	if code == "" {
		switch c := q.Work.Chosen[q.Joint.JointID]; {
		case c.Step != "":
			code = c.Step
		case c.Option == string(choice.BushBack) || c.Option == string(choice.ReplacePart):
			code = steps[0].Code
		}
	}
	i := slices.IndexFunc(steps, func(s recommend.StepRow) bool { return s.Code == code })
	if i >= 0 {
		return steps[i], nil
	}
	codes := make([]string, len(steps))
	for i, s := range steps {
		codes[i] = s.Code
	}
	return recommend.StepRow{}, problem.Invalid(problem.Fault{Pointer: from, Detail: "say which pin is to run in it, one of series " + steps[0].SeriesCode + ": " + strings.Join(codes, ", ")})
}

// since is from when on readings count.
func since(q Ask) time.Time {
	at := q.Work.BeganAt
	for _, n := range q.Open {
		if n.JointID == q.Joint.JointID && n.DecidedAt != nil && *n.Chosen != Keep && n.DecidedAt.After(at) {
			at = *n.DecidedAt
		}
	}
	if q.Since != nil {
		at = *q.Since
	}
	return at
}

// judgeBore judges one bore of c, and keeps what the reamer cut.
func judgeBore(c *Content, e recommend.FeatureEstimate, q Ask) (Bore, fitproof.Answer, error) {
	nominal := length.Length(e.Nominal).Micrometres()
	a, err := fitproof.Judge(fitproof.Question{Passing: e.Posterior.Passing,
		Pin: fitproof.Pin{Low: c.Pin.Low - nominal, High: c.Pin.High - nominal, U: c.Pin.U}, Low: c.Low, High: c.High, Risk: q.Risk})
	if err != nil {
		return Bore{}, a, fmt.Errorf("verification: %w", err)
	}
	b := Bore{FeatureID: e.Feature.ID, Code: e.Feature.Code, Readings: e.Readings, Passing: e.Passing, Largest: e.CleanUp, TooTight: a.TooTight, TooLoose: a.TooLoose, Conforming: a.Conforming, Verdict: string(a.Decision)}
	b.Passing.Quantiles, b.Largest.Quantiles = nil, nil
	if a.Decision == conformity.Undecided {
		if !a.Provable {
			c.Warnings = append(c.Warnings, recommend.Remark{Code: "measure_the_pin", Params: map[string]any{"feature": b.Code},
				Text: b.Code + ": with a pin that may lie anywhere within its limits no pair of gauges proves this target. Measure the pin and give its size, or choose one of several."})
		} else {
			if a.TooTight > q.Risk/2 {
				b.Go = &Gauge{nominal + a.Go.Size, a.Go.Goes}
			}
			if a.TooLoose > q.Risk/2 {
				b.NoGo = &Gauge{nominal + a.NoGo.Size, a.NoGo.Goes}
			}
		}
	}
	if q.Reamer == nil {
		return b, a, nil
	}
	if size, u, ok := recommend.CutSizeOf(e); ok {
		if off := length.Length(size - *q.Reamer.SizeNm).Micrometres(); math.Abs(off) > mostOff {
			c.Warnings = append(c.Warnings, recommend.Remark{Code: "not_by_this_reamer", Params: map[string]any{"feature": b.Code, "off_um": off},
				Text: fmt.Sprintf("%s lies %.0f µm beside the size of reamer %s, so it was not counted as its cut: look which reamer it was, and at the readings.", b.Code, off, q.Reamer.Number)})
		} else {
			b.CutNM, b.CutU = &size, &u
		}
	}
	return b, a, nil
}

// Record keeps v and what its reamer cut, opens a nonconformity of a refusal with the
// ways that are left, and closes those that waited for a proof.
func Record(tx *postgres.Tx, q Ask, v Verification, options []Option) Verification {
	var settled []Nonconformity
	if v.Verdict == string(conformity.Proved) {
		settled = settledBy(v, q.Open)
	}
	v.Content.Closed = postgres.Column(settled, func(n Nonconformity) uuid.UUID { return n.ID })
	tx.Queue(`insert into verification (club_id, id, repair_id, joint_id, step_id, verdict, risk, content, member_id, at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, v.ID, v.RepairID, v.JointID, v.StepID, v.Verdict, v.Risk, v.Content, v.MemberID, v.At).
		Refuse("verification_pkey", problem.New(problem.IDUsed, "One with this id is on record already. Make a new id for a new one."))
	for _, b := range v.Content.Bores {
		if b.CutNM != nil {
			tx.Queue(`insert into reamer_cut (club_id, verification_id, feature_id, tool_id, cut_at, size_nm, u_nm, depth_nm) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
				tx.Club, v.ID, b.FeatureID, *v.Content.ReamerTool, q.firstRead(b), *b.CutNM, *b.CutU, q.depth(b.FeatureID))
		}
	}
	journal.Append(tx, journal.Event{Type: "verification." + v.Verdict, Subject: v.ID, Version: 1, Audience: journal.ForClub, Actor: v.MemberID}, v)
	for _, n := range settled {
		n.settle(tx, v)
	}
	open := slices.ContainsFunc(q.Open, func(n Nonconformity) bool { return n.JointID == v.JointID && n.Kind == FitRefused && n.ClosedAt == nil })
	if v.Verdict == string(conformity.Refused) && !open {
		n := Report(tx, Nonconformity{ID: uuid.Must(uuid.NewV7()), RepairID: v.RepairID, JointID: v.JointID, Position: v.Position, VerificationID: &v.ID, Kind: FitRefused, FoundAt: v.At, MemberID: v.MemberID, Options: options})
		v.Nonconformity = &n.ID
	}
	return v
}

// firstRead is when a bore was first read since it was cut.
func (q Ask) firstRead(b Bore) time.Time {
	var first time.Time
	for _, r := range q.Snapshot.Readings.Items {
		if slices.Contains(b.Readings, r.ID) && (first.IsZero() || r.TakenAt.Before(first)) {
			first = r.TakenAt
		}
	}
	return first
}

func (q Ask) depth(feature uuid.UUID) *int64 {
	for _, f := range q.Snapshot.Features.Items {
		if f.ID == feature {
			return f.LengthNm
		}
	}
	return nil
}

const selectVerification = `select v.id, v.repair_id, v.joint_id, j.position, v.step_id, v.verdict, v.risk, v.content, v.member_id, v.at,
	(select n.id from nonconformity n where n.club_id = v.club_id and n.verification_id = v.id limit 1) as nonconformity
	from verification v join joint j on j.club_id = v.club_id and j.id = v.joint_id where v.club_id = $1`

// Find looks a verification of a repair up.
func Find(b *postgres.Batch, of string, id uuid.UUID) *postgres.Rows[Verification] {
	repairID, number := repair.Named(of)
	return postgres.Query[Verification](b, selectVerification+` and v.id = $2 and v.repair_id = (select r.id from repair r where r.club_id = $1 and (r.id = $3 or r.number = $4))`, b.Club, id, repairID, number)
}

// List lists the verifications of a repair, newest first, before the id given. Served by
// verification_of_repair.
func List(b *postgres.Batch, of string, before uuid.UUID, limit int) *postgres.Rows[Verification] {
	repairID, number := repair.Named(of)
	return postgres.Query[Verification](b, selectVerification+` and v.repair_id = (select r.id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3)) and v.id < $4 order by v.id desc limit $5`,
		b.Club, repairID, number, before, limit)
}
