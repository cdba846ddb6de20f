package verification

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/choice"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/repair"
)

// Kinds of nonconformities.
const (
	FitRefused   = "fit_refused"
	ReamerBroken = "reamer_broken"
	ChipJam      = "chip_jam"
	TornFinish   = "torn_finish"
	OversizeCut  = "oversize_cut"
	Other        = "other"
)

// What may be decided beside the options of a recommendation: to cut to the same size again
// with a sound reamer, and to keep it as it is.
const (
	CutAgain = "cut_again"
	Keep     = "keep"
)

// States of a nonconformity.
const (
	Open    = "open"
	Decided = "decided"
	Closed  = "closed"
)

// Option is a way out that was left when it was found.
type Option struct {
	Option     string  `json:"option"`
	Step       string  `json:"step,omitempty"` // of the pin series
	Text       string  `json:"text"`
	PriceMinor *int64  `json:"price_minor,omitempty"`
	Days       int     `json:"days"`
	Success    float64 `json:"success,omitempty"` // probability that it fits then; 0: not told
}

// Nonconformity is something that is not as it should be.
type Nonconformity struct {
	ID             uuid.UUID
	RepairID       uuid.UUID
	JointID        uuid.UUID
	Position       string `json:"-"`
	VerificationID *uuid.UUID
	Kind           string
	Detail         string `json:"-"` // what people write stays out of the journal
	FoundAt        time.Time
	MemberID       uuid.UUID
	RecordedAt     time.Time
	Options        []Option
	Chosen         *string
	Step           *string
	Reason         string `json:"-"`
	DecidedAt      *time.Time
	DecidedBy      *uuid.UUID
	ProvedBy       *uuid.UUID // the verification that settled it
	ClosedAt       *time.Time
	Version        int64
}

// State is how far n has been dealt with.
func (n Nonconformity) State() string {
	switch {
	case n.ClosedAt != nil:
		return Closed
	case n.DecidedAt != nil:
		return Decided
	}
	return Open
}

// NeedsProof reports whether only a proved fit settles n, once something else than keeping
// it was decided.
func (n Nonconformity) NeedsProof() bool { return repair.NeedsProof(n.Kind) }

const selectNonconformity = `select n.id, n.repair_id, n.joint_id, j.position, n.verification_id, n.kind, n.detail, n.found_at, n.member_id, n.recorded_at, n.options, n.chosen, n.step, n.reason,
	n.decided_at, n.decided_by, n.proved_by, n.closed_at, n.version
	from nonconformity n join joint j on j.club_id = n.club_id and j.id = n.joint_id where n.club_id = $1`

const ofRepair = ` and n.repair_id = (select r.id from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3))`

// mostOfRepair bounds what a verification looks at.
const mostOfRepair = 500

// All are the nonconformities of a repair, oldest first. Served by nonconformity_of_repair.
func All(b *postgres.Batch, of string) *postgres.Rows[Nonconformity] {
	id, number := repair.Named(of)
	return postgres.Query[Nonconformity](b, `select * from (`+selectNonconformity+ofRepair+` order by n.id desc limit $4) n order by n.id`, b.Club, id, number, mostOfRepair)
}

// FindNonconformity looks one of a repair up.
func FindNonconformity(b *postgres.Batch, of string, nonconformity uuid.UUID) *postgres.Rows[Nonconformity] {
	id, number := repair.Named(of)
	return postgres.Query[Nonconformity](b, selectNonconformity+ofRepair+` and n.id = $4`, b.Club, id, number, nonconformity)
}

// FindByID looks a nonconformity up, of whichever repair.
func FindByID(b *postgres.Batch, nonconformity uuid.UUID) *postgres.Rows[Nonconformity] {
	return postgres.Query[Nonconformity](b, selectNonconformity+` and n.id = $2`, b.Club, nonconformity)
}

// ListNonconformities lists those of a repair, newest first, before the id given; open, where set, chooses
// those that are closed or those that are not. Served by nonconformity_of_repair.
func ListNonconformities(b *postgres.Batch, of string, open *bool, before uuid.UUID, limit int) *postgres.Rows[Nonconformity] {
	id, number := repair.Named(of)
	return postgres.Query[Nonconformity](b, selectNonconformity+ofRepair+` and n.id < $4 and ($5::boolean is null or (n.closed_at is null) = $5) order by n.id desc limit $6`, b.Club, id, number, before, open, limit)
}

// OpenIn says in words what is open among all; none when nothing is.
func OpenIn(all []Nonconformity) []string {
	var out []string
	for _, n := range all {
		if n.ClosedAt == nil {
			out = append(out, n.Position+": "+Words(n.Kind))
		}
	}
	return out
}

// Report keeps a new nonconformity.
func Report(tx *postgres.Tx, n Nonconformity) Nonconformity {
	n.RecordedAt, n.Version = tx.Now.UTC().Truncate(time.Microsecond), 1
	if n.Options == nil {
		n.Options = []Option{}
	}
	tx.Queue(`insert into nonconformity (club_id, id, repair_id, joint_id, verification_id, kind, detail, found_at, member_id, recorded_at, options) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		tx.Club, n.ID, n.RepairID, n.JointID, n.VerificationID, n.Kind, n.Detail, n.FoundAt, n.MemberID, n.RecordedAt, n.Options).
		Refuse("nonconformity_pkey", problem.New(problem.IDUsed, "One with this id came in a moment ago. Send the request again to see it."))
	n.journal(tx, "nonconformity.found", n.MemberID)
	return n
}

// Same reports whether m is n sent again.
func (n Nonconformity) Same(m Nonconformity) error {
	if n.RepairID == m.RepairID && n.JointID == m.JointID && n.Kind == m.Kind && n.Detail == m.Detail && (m.FoundAt.IsZero() || n.FoundAt.Equal(m.FoundAt)) {
		return nil
	}
	return problem.New(problem.IDUsed, "A nonconformity of other content has this id. Make a new id for a new one.")
}

// RefusedSince looks up whether the joint's fit was refused once more since it was decided
// what is done about a nonconformity. Served by verification_of_repair.
func RefusedSince(b *postgres.Batch, nonconformity uuid.UUID) *postgres.Rows[uuid.UUID] {
	return postgres.Values[uuid.UUID](b, `select v.id from nonconformity n join verification v on v.club_id = n.club_id and v.repair_id = n.repair_id and v.joint_id = n.joint_id
		where n.club_id = $1 and n.id = $2 and v.verdict = 'refused' and v.at > n.decided_at limit 1`, b.Club, nonconformity)
}

// Says reports whether n was decided just so.
func (n Nonconformity) Says(option, step, reason string) bool {
	return n.Chosen != nil && *n.Chosen == option && n.Reason == reason && (step == "" || n.Step != nil && *n.Step == step)
}

// Wrong is n as its repair follows it.
func (n Nonconformity) Wrong() repair.Wrong {
	x := repair.Wrong{ID: n.ID, JointID: n.JointID, Position: n.Position, Kind: n.Kind, Chosen: n.Chosen, DecidedAt: n.DecidedAt, ClosedAt: n.ClosedAt}
	if n.Step != nil {
		x.Step = *n.Step
	}
	return x
}

// Decide keeps what is done about n.
func Decide(tx *postgres.Tx, actor uuid.UUID, n Nonconformity, option, step, reason string) (Nonconformity, error) {
	if n.ClosedAt != nil {
		return n, problem.New(problem.NotAllowedNow, "This was closed on %s. When something is wrong again, report that.", n.ClosedAt.UTC().Format(time.DateOnly))
	}
	left := func(o Option) bool { return o.Option == option && (step == "" || o.Step == step) }
	i := slices.IndexFunc(n.Options, left)
	switch {
	case i < 0:
		return n, problem.Invalid(problem.Fault{Pointer: "/option", Detail: "is none of those that were left: " + n.named() + ". Where something else is done, report what is wrong anew as kind other"})
	case step == "" && slices.ContainsFunc(n.Options[i+1:], left):
		return n, problem.Invalid(problem.Fault{Pointer: "/step", Detail: "is needed, since several were left: " + n.named()})
	case option == Keep && len(reason) < 3:
		return n, problem.Invalid(problem.Fault{Pointer: "/reason", Detail: "is needed to keep it as it is, for whoever reads the record later"})
	}
	at := tx.Now.UTC().Truncate(time.Microsecond)
	n.Chosen, n.DecidedAt, n.DecidedBy, n.Reason, n.Step = &option, &at, &actor, reason, nil
	if s := n.Options[i].Step; s != "" {
		n.Step = &s
	}
	if !n.NeedsProof() || option == Keep {
		n.ClosedAt = &at
	}
	n.keep(tx)
	n.Version++
	n.journal(tx, "nonconformity.decided", actor)
	return n, nil
}

// settledBy are those of all that a proof of v settles.
func settledBy(v Verification, all []Nonconformity) []Nonconformity {
	var out []Nonconformity
	for _, n := range all {
		if n.JointID == v.JointID && n.ClosedAt == nil && n.NeedsProof() {
			out = append(out, n)
		}
	}
	return out
}

// settle closes n, since v, which is kept, proves its fit.
func (n Nonconformity) settle(tx *postgres.Tx, v Verification) {
	n.ClosedAt, n.ProvedBy = &v.At, &v.ID
	n.keep(tx)
	n.Version++
	n.journal(tx, "nonconformity.closed", v.MemberID)
}

func (n Nonconformity) named() string {
	text := ""
	for i, o := range n.Options {
		if i > 0 {
			text += ", "
		}
		text += o.Option
		if o.Step != "" {
			text += " " + o.Step
		}
	}
	return text
}

func (n Nonconformity) keep(tx *postgres.Tx) {
	tx.Queue(`update nonconformity set chosen = $3, step = $4, reason = $5, decided_at = $6, decided_by = $7, proved_by = $8, closed_at = $9, version = $10 where club_id = $1 and id = $2`,
		tx.Club, n.ID, n.Chosen, n.Step, n.Reason, n.DecidedAt, n.DecidedBy, n.ProvedBy, n.ClosedAt, n.Version+1)
}

func (n Nonconformity) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	journal.Append(tx, journal.Event{Type: what, Subject: n.ID, Version: n.Version, Audience: journal.ForClub, Actor: actor}, n)
}

// left are the ways out of a cut that does not fit, with what each costs, as the engine
// prices them; at is the step that was cut for.
func left(q Ask, s *recommend.Snapshot, at recommend.StepRow, now time.Time) []Option {
	out := ways(q, s, int(at.Ordinal), now)
	if !q.Joint.SafetyCritical {
		out = append(out, kept())
	}
	return out
}

func kept() Option {
	return Option{Option: Keep, Text: "Keep it as it is, and say why."}
}

// Left are the ways out of something that went wrong while it was cut, of what kind it
// is: those of the engine where it can tell any, to cut again where the size may still be
// reached, and to keep it.
func Left(q Ask, kind string, now time.Time) []Option {
	var out []Option
	if kind == ReamerBroken || kind == ChipJam || kind == TornFinish {
		out = append(out, Option{Option: CutAgain, Text: "Cut to the same size with a sound reamer, once the bore is clear and clean."})
	}
	s := q.Snapshot.Only(q.Joint.JointID, q.Series)
	if kind != Other && len(s.Joints.Items) > 0 && len(s.Steps.Items) > 0 {
		from := -1
		if step, err := q.step(s.Steps.Items); err == nil {
			from = int(step.Ordinal)
		}
		if kind == OversizeCut {
			s.AfterCut(since(q))
		}
		out = append(out, ways(q, s, from, now)...)
	}
	if !q.Joint.SafetyCritical || kind == Other {
		out = append(out, kept())
	}
	return out
}

// ways are what the engine still has open for the joint, to steps above from. Where it
// cannot decide at all (nothing is known of the bores, or no series serves) there are none.
func ways(q Ask, s *recommend.Snapshot, from int, now time.Time) []Option {
	a, err := recommend.Decide(s, recommend.Question{Preference: "cheapest", Risk: q.Risk, Means: recommend.FormMeansOfCut(), Unit: q.Unit, Currency: q.Currency}, now)
	if err != nil || len(a.Choice.Options) == 0 {
		return nil
	}
	var out []Option
	for _, o := range a.Choice.Options[0] {
		switch {
		case !o.Open, o.Kind != choice.ReamTo && o.Kind != choice.HoneTo && o.Kind != choice.BushBack && o.Kind != choice.ReplacePart,
			(o.Kind == choice.ReamTo || o.Kind == choice.HoneTo) && o.Step <= from:
			continue
		}
		one := Option{Option: string(o.Kind), Text: a.OptionText(o), Days: o.Days, Success: o.Success}
		if o.PriceMinor > 0 {
			one.PriceMinor = &o.PriceMinor
		}
		if o.Step >= 0 && o.Kind != choice.BushBack && o.Kind != choice.ReplacePart {
			one.Step = a.Steps[o.Step].Code
		}
		out = append(out, one)
	}
	return out
}
