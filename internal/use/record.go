package use

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/wear"
)

// Line is a use as it is told.
type Line struct {
	At      string // where it stands in the body
	Tool    postgres.Ref
	Loan    *uuid.UUID
	UsedAt  *time.Time
	Member  string // as what follows: an id or the people's own name; empty when not told
	Repair  string
	Joint   string
	Feature string
	Use     // with its id, work, count and what else is told
}

type memberRow struct {
	ID     uuid.UUID
	Number string
}

// told is a use that counts.
type told struct {
	LoanID, FeatureID uuid.UUID
	Work              string
}

// Recording is lines with what was looked up for them.
type Recording struct {
	lines   []Line
	tools   *postgres.Rows[toolRow]
	loans   []*postgres.Rows[Loan]
	members *postgres.Rows[memberRow]
	places  places
	kept    *postgres.Rows[Use]
	told    *postgres.Rows[told]
}

// LookUp queues what is needed to record lines, without the loans.
func LookUp(b *postgres.Batch, lines []Line) *Recording {
	r := &Recording{lines: lines}
	refs := postgres.Column(lines, func(l Line) postgres.Ref { return l.Tool })
	r.tools = findTools(b, refs)
	var members []postgres.Ref
	for _, l := range lines {
		if l.Member != "" {
			members = append(members, postgres.ParseRef(l.Member))
		}
	}
	ids, numbers := postgres.Split(members)
	r.members = postgres.Query[memberRow](b, `select id, number from member where club_id = $1 and (id = any($2) or number = any($3))`, b.Club, ids, numbers)
	r.places = findPlaces(b, lines)
	tools, toolNumbers := postgres.Split(refs)
	r.told = postgres.Query[told](b, `select u.loan_id, u.feature_id, u.work from tool_use u where u.club_id = $1 and u.tool_id = any(array(select id from tool where club_id = $1 and (id = any($2) or number = any($3))))
		and u.voided_at is null and u.loan_id is not null and u.feature_id is not null`, b.Club, tools, toolNumbers)
	// Behind it, so that what was recorded meanwhile under one of these ids is found by its id, and not as another's.
	r.kept = postgres.Query[Use](b, fmt.Sprintf(shown, "tool_use")+` where u.club_id = $1 and u.id = any($2)`, b.Club, postgres.Column(lines, func(l Line) uuid.UUID { return l.ID }))
	return r
}

// LockRecording queues what is needed to record lines, which are all of one tool, and locks the loans that
// they may be of.
func LockRecording(b *postgres.Batch, now time.Time, tool postgres.Ref, lines []Line) *Recording {
	from, until := now, now
	named := []uuid.UUID{}
	for _, l := range lines {
		if l.UsedAt != nil && l.UsedAt.Before(from) {
			from = *l.UsedAt
		}
		if l.UsedAt != nil && l.UsedAt.After(until) {
			until = *l.UsedAt
		}
		if l.Loan != nil {
			named = append(named, *l.Loan)
		}
	}
	loans := lockLoans(b, tool, named, from, until)
	r := LookUp(b, lines)
	r.loans = append(r.loans, loans)
	return r
}

// Lend says which loans the lines are of: those of tools that came back, which are locked.
func (r *Recording) Lend(loans []Loan) {
	r.loans = []*postgres.Rows[Loan]{{Items: loans}}
	for i, l := range r.lines {
		t := r.toolOf(l)
		if t == nil {
			continue
		}
		if at := slices.IndexFunc(loans, func(l Loan) bool { return l.ToolID == t.ID }); at >= 0 {
			r.lines[i].Loan = &loans[at].ID
		}
	}
}

func (r *Recording) toolOf(l Line) *toolRow {
	for i, t := range r.tools.Items {
		if t.is(l.Tool) {
			return &r.tools.Items[i]
		}
	}
	return nil
}

func (r *Recording) lent() (out []Loan) {
	for _, rows := range r.loans {
		out = append(out, rows.Items...)
	}
	return out
}

// Record keeps the lines, all or none, and tells how many of them were on record.
func (r *Recording) Record(tx *postgres.Tx, by Recorder) (out []Use, already int, err error) {
	if len(r.tools.Items) == 0 {
		return nil, 0, problem.Absent()
	}
	var faults []problem.Fault
	var fresh []Use
	var refused *problem.Error
	for i, l := range r.lines {
		at := slices.IndexFunc(r.kept.Items, func(k Use) bool { return k.ID == l.ID })
		var kept *Use
		if at >= 0 {
			kept = &r.kept.Items[at]
		}
		u, wrong, err := r.resolve(tx, by, l, kept)
		if err != nil {
			return nil, 0, err
		}
		faults = append(faults, wrong...)
		if len(wrong) > 0 {
			continue
		}
		if kept != nil {
			if !kept.is(u, l) {
				return nil, 0, problem.New(problem.IDUsed, "%s: a use of other content has this id. Make a new id for a new one; to correct that one, void it and post the right one.", l.At+"/id")
			}
			out = append(out, *kept)
			already++
			continue
		}
		for j, other := range r.lines[:i] {
			if other.ID == l.ID {
				faults = append(faults, problem.Fault{Pointer: l.At + "/id", Detail: fmt.Sprintf("stands at %s too; each use has an id of its own", r.lines[j].At)})
			}
		}
		if u.LoanID != nil && u.FeatureID != nil {
			of := told{*u.LoanID, *u.FeatureID, u.Work}
			if slices.ContainsFunc(fresh, func(v Use) bool {
				return v.LoanID != nil && v.FeatureID != nil && (told{*v.LoanID, *v.FeatureID, v.Work}) == of
			}) {
				faults = append(faults, problem.Fault{Pointer: l.At + "/feature", Detail: "stands twice for this loan and work; tell it once, with the count of both"})
			}
			if slices.Contains(r.told.Items, of) && refused == nil {
				refused = problem.New(problem.NotAllowedNow, "%s: the %s of %s of %s on this loan are on record already; GET uses?loan=%s shows them. Where that is wrong, void that use and post the right one.",
					l.At, u.Work, *u.Feature, *u.Position, *u.LoanID)
			}
		}
		out, fresh = append(out, u), append(fresh, u)
	}
	switch {
	case len(faults) > 0:
		return nil, 0, problem.Invalid(faults...)
	case refused != nil:
		return nil, 0, refused
	}
	insert(tx, fresh)
	return out, already, nil
}

// resolve works out what l tells, or what is wrong with it; kept is what has its id already.
func (r *Recording) resolve(tx *postgres.Tx, by Recorder, l Line, kept *Use) (Use, []problem.Fault, error) {
	u, t := l.Use, r.toolOf(l)
	if t == nil { // a return says so itself
		return u, nil, problem.Absent()
	}
	u.ToolID, u.ToolNumber, u.RecordedBy, u.RecordedAt = t.ID, t.Number, by.ID, stamp(tx.Now)
	of, faults, err := r.places.named(l)
	if err != nil {
		return u, nil, err
	}
	if of.repair != nil {
		u.RepairID, u.RepairNumber = &of.repair.ID, &of.repair.Number
	}
	if of.joint != nil {
		u.JointID, u.Position = &of.joint.ID, &of.joint.Position
	}
	if of.feature != nil {
		u.FeatureID, u.Feature = &of.feature.ID, &of.feature.Code
		if u.Work == Holes && of.feature.Shape != "bore" {
			faults = append(faults, problem.Fault{Pointer: l.At + "/feature", Detail: "is a pin, and holes are cut in bores; name the bore"})
		}
	}
	faults = append(faults, u.suits(l.At, *t)...)
	if kept != nil && (by.Keeper || kept.RecordedBy == by.ID) {
		u.LoanID, u.UsedAt, u.MemberID = kept.LoanID, kept.UsedAt, kept.MemberID
		if l.Loan != nil {
			u.LoanID = l.Loan
		}
		if l.UsedAt != nil {
			u.UsedAt = stamp(*l.UsedAt)
		}
	} else {
		lent, wrong, err := r.lentTo(&u, *t, by, l, tx.Now)
		if err != nil {
			return u, nil, err
		}
		faults = append(faults, wrong...)
		u.MemberID = by.ID
		if lent != nil {
			u.LoanID, u.MemberID = &lent.ID, lent.MemberID
		}
	}
	if who, wrong := r.member(l); wrong != nil {
		faults = append(faults, *wrong)
	} else if who != nil {
		if !by.Keeper && who.ID != u.MemberID {
			return u, nil, problem.New(problem.MissingRole, "%s: only a tool_keeper or officer says that another member used it. Leave member out, or ask one of them.", l.At+"/member")
		}
		u.MemberID = who.ID
	}
	return u, faults, nil
}

// member is who l names, or what is wrong with that; neither where it names nobody.
func (r *Recording) member(l Line) (*memberRow, *problem.Fault) {
	if l.Member == "" {
		return nil, nil
	}
	ref := postgres.ParseRef(l.Member)
	for i, m := range r.members.Items {
		if ref.ID != nil && m.ID == *ref.ID || ref.ID == nil && m.Number == ref.Name {
			return &r.members.Items[i], nil
		}
	}
	return nil, &problem.Fault{Pointer: l.At + "/member", Detail: fmt.Sprintf("there is no member “%s” in this club; check the number, or GET members", l.Member)}
}

// Named says what is wrong with the names in the lines, whatever becomes of their tools.
func (r *Recording) Named() error {
	var faults []problem.Fault
	for _, l := range r.lines {
		_, wrong, err := r.places.named(l)
		if err != nil {
			return err
		}
		faults = append(faults, wrong...)
		if _, wrong := r.member(l); wrong != nil {
			faults = append(faults, *wrong)
		}
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return nil
}

// lentTo finds the loan that l is of, if any, and the time of u.
func (r *Recording) lentTo(u *Use, t toolRow, by Recorder, l Line, now time.Time) (*Loan, []problem.Fault, error) {
	u.UsedAt = stamp(now)
	if l.UsedAt != nil {
		u.UsedAt = stamp(*l.UsedAt)
	}
	faults := wear.Ahead(l.At+"/used_at", u.UsedAt, now)
	loans := r.lent()
	var lent *Loan
	if l.Loan != nil {
		at := slices.IndexFunc(loans, func(o Loan) bool { return o.ID == *l.Loan && o.ToolID == t.ID && o.Ended != "undone" })
		if at < 0 {
			return nil, append(faults, problem.Fault{Pointer: l.At + "/loan", Detail: fmt.Sprintf("is no loan of %s that stands; GET loans?tool=%s shows them", t.Number, t.Number)}), nil
		}
		lent = &loans[at]
		if l.UsedAt == nil && lent.EndedAt != nil && lent.EndedAt.Before(u.UsedAt) {
			u.UsedAt = stamp(*lent.EndedAt)
		}
		if !lent.had(u.UsedAt) {
			span := "since " + lent.CollectedAt.UTC().Format(time.RFC3339)
			if lent.EndedAt != nil {
				span = "from " + lent.CollectedAt.UTC().Format(time.RFC3339) + " to " + lent.EndedAt.UTC().Format(time.RFC3339)
			}
			faults = append(faults, problem.Fault{Pointer: l.At + "/used_at", Detail: fmt.Sprintf("lies outside the loan, on which %s was out %s; give a time within it, or name another loan", t.Number, span)})
		}
	} else if lent = covering(loans, t.ID, by.ID, u.UsedAt); lent == nil && by.Keeper {
		lent = covering(loans, t.ID, uuid.Nil, u.UsedAt)
	}
	if !by.Keeper && (lent == nil || lent.MemberID != by.ID) {
		return nil, nil, problem.New(problem.MissingRole, "%s: what %s did is told by who had it on loan then, a tool_keeper or an officer. Name your loan, or the time at which you used it, or ask one of them.", l.At, t.Number)
	}
	return lent, faults, nil
}

// suits reports what of u does not fit its tool or its work.
func (u Use) suits(at string, t toolRow) []problem.Fault {
	faults := u.faults(at)
	if !slices.Contains(worksOf(t.Kind), u.Work) {
		faults = append(faults, problem.Fault{Pointer: at + "/work", Detail: fmt.Sprintf("is nothing that a %s does; for %s say one of: %s", t.kind(), t.Number, strings.Join(worksOf(t.Kind), ", "))})
	}
	if u.Work != Holes && (!u.none() || u.SizeBeforeNm != nil) {
		faults = append(faults, problem.Fault{Pointer: at + "/work", Detail: "has size_before, depth, material, lubricant or guidance, which are of holes only; leave them out"})
	}
	switch {
	case u.SizeBeforeNm == nil:
	case *u.SizeBeforeNm <= 0:
		faults = append(faults, problem.Fault{Pointer: at + "/size_before", Detail: "must be more than nothing"})
	case t.Kind == "reamer" && t.SizeNm != nil && !t.Expansion && *u.SizeBeforeNm > *t.SizeNm+mostOff:
		faults = append(faults, problem.Fault{Pointer: at + "/size_before", Detail: fmt.Sprintf("is larger than the reamer's %s, which would have cut nothing; check the size, its unit and the number on the tool", length.Length(*t.SizeNm).Text(length.Millimetre))})
	}
	return faults
}

// is reports whether the line l, which tells v, is u sent again: what it leaves out is that of u.
func (u Use) is(v Use, l Line) bool {
	return u.ToolID == v.ToolID && u.Work == v.Work && u.Count == v.Count && same(u.RepairID, v.RepairID) && same(u.JointID, v.JointID) && same(u.FeatureID, v.FeatureID) &&
		u.Cut.equal(v.Cut) && same(u.SizeBeforeNm, v.SizeBeforeNm) && u.Note == v.Note &&
		(l.Loan == nil || same(u.LoanID, v.LoanID)) && (l.UsedAt == nil || u.UsedAt.Equal(v.UsedAt)) && (l.Member == "" || u.MemberID == v.MemberID)
}

func insert(tx *postgres.Tx, uses []Use) {
	if len(uses) == 0 {
		return
	}
	tx.Queue(`insert into tool_use (club_id, recorded_at, recorded_by, id, tool_id, loan_id, member_id, repair_id, joint_id, feature_id, used_at, work, count, size_before_nm, depth_nm, material, lubricant, guidance, note)
		select $1, $2, $3, * from unnest($4::uuid[], $5::uuid[], $6::uuid[], $7::uuid[], $8::uuid[], $9::uuid[], $10::uuid[], $11::timestamptz[], $12::text[], $13::integer[], $14::bigint[], $15::bigint[], $16::text[], $17::text[], $18::text[], $19::text[])`,
		tx.Club, uses[0].RecordedAt, uses[0].RecordedBy,
		postgres.Column(uses, func(u Use) uuid.UUID { return u.ID }), postgres.Column(uses, func(u Use) uuid.UUID { return u.ToolID }), postgres.Column(uses, func(u Use) *uuid.UUID { return u.LoanID }),
		postgres.Column(uses, func(u Use) uuid.UUID { return u.MemberID }), postgres.Column(uses, func(u Use) *uuid.UUID { return u.RepairID }), postgres.Column(uses, func(u Use) *uuid.UUID { return u.JointID }),
		postgres.Column(uses, func(u Use) *uuid.UUID { return u.FeatureID }), postgres.Column(uses, func(u Use) time.Time { return u.UsedAt }), postgres.Column(uses, func(u Use) string { return u.Work }),
		postgres.Column(uses, func(u Use) int { return u.Count }), postgres.Column(uses, func(u Use) *int64 { return u.SizeBeforeNm }), postgres.Column(uses, func(u Use) *int64 { return u.DepthNm }),
		postgres.Column(uses, func(u Use) *string { return u.Material }), postgres.Column(uses, func(u Use) *string { return u.Lubricant }), postgres.Column(uses, func(u Use) *string { return u.Guidance }),
		postgres.Column(uses, func(u Use) string { return u.Note })).
		// Another write was faster with the same: its outcome is found when this one runs again.
		RunAgainOn("tool_use_pkey").RunAgainOn("tool_use_once")
	subjects, states := make([]uuid.UUID, len(uses)), make([]any, len(uses))
	for i, u := range uses {
		u.Note = ""
		subjects[i], states[i] = u.ID, u
	}
	journal.AppendAll(tx, journal.Event{Type: "tool_use.recorded", Version: 1, Audience: journal.ForClub, Actor: uses[0].RecordedBy}, subjects, states)
}
