package loan

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Handout is what a keeper records as tools go out.
type Handout struct {
	ID         uuid.UUID
	Member     string // who collects, by number or id
	Kit        string // by code or id; its tools, or those of Tools that are parts of it
	Tools      []Presented
	Until      *time.Time // of what was not reserved
	Days       int        // the same, in days
	OccurredAt time.Time
}

// Keeper is who records an act, known once its request was let in.
type Keeper struct {
	ID      uuid.UUID
	Officer bool
}

// Presented is a tool on the counter.
type Presented struct {
	Tool      string
	Condition string // empty: as it is
	Note      string
	Deposit   *int64 // taken, in the smallest unit of the club's currency
	// DespiteCalibration is why it goes out though its calibration does not hold;
	// empty: it does not.
	DespiteCalibration string
}

// What an act may be recorded of: how long ago it happened at most, and how far
// clocks go wrong.
const (
	longAgo   = 30 * 24 * time.Hour
	clockSlip = 15 * time.Minute
	ahead     = 24 * time.Hour // a promise that begins as soon may be collected
	shortest  = time.Hour      // of what was not reserved
	day       = 24 * time.Hour
)

// UndoWithin is how long an act can be undone.
const UndoWithin = 15 * time.Minute

// Occurred is when something happened, by the word of who records it, as the
// database keeps it. It is after the refused past and not ahead.
func occurred(at, now time.Time) (time.Time, []problem.Fault) {
	switch {
	case at.After(now.Add(clockSlip)):
		return at, []problem.Fault{{Pointer: "/occurred_at", Detail: "lies ahead; leave it out when it happens now"}}
	case at.Before(now.Add(-longAgo)):
		return at, []problem.Fault{{Pointer: "/occurred_at", Detail: fmt.Sprintf("is more than %d days ago, which is too long to record it now", int(longAgo/day))}}
	}
	return earlier(kept(at), kept(now)), nil
}

type person struct {
	ID         uuid.UUID
	Number     string
	Name       string
	Version    int64
	DisabledAt *time.Time
	GuestUntil *time.Time // of a guest, who has nothing for longer
}

const personColumns = `id, number, name, version, disabled_at, guest_until`

type kitPart struct {
	ID      uuid.UUID
	Code    string
	Ordinal int
	ToolID  *uuid.UUID
	ModelID *uuid.UUID
	Model   string
}

// HandoutOrder is a handout with what was looked up and locked for it.
type HandoutOrder struct {
	h       Handout
	onward  bool // h.Until is until when the tool was lent already
	by      Keeper
	members *postgres.Rows[person]
	kit     *postgres.Rows[kitPart]
	items   *postgres.Rows[item]
	roads   roads

	held    *postgres.Rows[promise]
	out     Loans
	skills  *postgres.Rows[skill]
	burdens *postgres.Rows[burden]
}

// skill is a model that the member may use, until the end of a day.
type skill struct {
	ModelID   uuid.UUID
	ExpiresOn *time.Time
}

// burden is what the member has already.
type burden struct {
	Lines int
	Late  bool
}

func lockPerson(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[person] {
	return postgres.Query[person](b, `select `+personColumns+` from member where club_id = $1 and (id = $2 or number = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// LockHandout queues the lookups of h: the member is locked, then every tool that
// may go out, and those that stand for one of them by choice.
func LockHandout(b *postgres.Batch, h Handout) *HandoutOrder {
	o := &HandoutOrder{h: h}
	who := postgres.ParseRef(h.Member)
	o.members = lockPerson(b, who)
	kit := postgres.ParseRef(h.Kit)
	if h.Kit == "" {
		kit = postgres.Ref{}
	}
	o.kit = postgres.Query[kitPart](b, `
		select k.id, k.code, p.ordinal, p.tool_id, p.model_id, coalesce(m.code, '') as model
		from kit k join kit_part p on p.club_id = k.club_id and p.kit_id = k.id
		left join tool_model m on m.club_id = p.club_id and m.id = p.model_id
		where k.club_id = $1 and (k.id = $2 or k.code = $3) and k.retired_at is null order by p.ordinal`, b.Club, kit.ID, kit.Name)
	var ids []uuid.UUID
	var numbers []string
	for _, t := range h.Tools {
		if ref := postgres.ParseRef(t.Tool); ref.ID != nil {
			ids = append(ids, *ref.ID)
		} else {
			numbers = append(numbers, ref.Name)
		}
	}
	o.items = postgres.Query[item](b, `
		with presented as materialized (
			select id from tool where club_id = $1 and id = any($2::uuid[])
			union select id from tool where club_id = $1 and number = any($3::text[])
			union select p.tool_id from kit k join kit_part p on p.club_id = k.club_id and p.kit_id = k.id where k.club_id = $1 and (k.id = $4 or k.code = $5) and p.tool_id is not null
			union select b.tool_id from member p join reservation r on r.club_id = p.club_id and r.member_id = p.id
				join booking b on b.club_id = r.club_id and b.reservation_id = r.id
				join kit k on k.club_id = b.club_id and k.id = b.kit_id
				where p.club_id = $1 and (p.id = $6 or p.number = $7) and (k.id = $4 or k.code = $5) and b.state = 'reserved' and upper(b.period) > $8
		), wanted as materialized (
			select id from presented
			union select s.tool_id from presented p
			join booking b on b.club_id = $1 and b.tool_id = p.id
			join booking s on s.club_id = b.club_id and s.reservation_id = b.reservation_id and s.choice = b.choice
			where b.state not in ('cancelled', 'lost') and b.held_until > $8
		)
		`+selectItem+` and t.id = any(array(select id from wanted)) order by t.id for no key update of t`,
		b.Club, ids, numbers, kit.ID, kit.Name, who.ID, who.Name, h.OccurredAt)
	o.roads = findHours(b, h.OccurredAt)
	return o
}

// going is one tool as it goes out.
type going struct {
	at        int // in the request; -1 for a part that the kit brings
	presented Presented
	tool      *item
	line      *promise // nil: nobody reserved it
	period    lending.Period
	held      lending.Period
	before    lending.Period // of a line
	heldAs    lending.Period
	wanted    time.Time // until when, before it was shortened
}

// Handed is what a handout did.
type Handed struct {
	Act
	WalkIn    *uuid.UUID // the reservation that was made for what nobody had reserved
	Shortened []string   // why something is lent for less time than asked
	Decided   []string   // numbers of tools that were chosen by going out
}

// Make hands the tools out, or refuses with the faults of the request or, as a
// *Refusal, with the reasons of the tools: all of them or none go out.
func (o *HandoutOrder) Make(ctx context.Context, tx *postgres.Tx, by Keeper) (Handed, error) {
	o.by = by
	at, faults := occurred(o.h.OccurredAt, tx.Now)
	if err := settle(o.items.Items); err != nil {
		return Handed{}, err
	}
	if err := o.roads.table.Settle(); err != nil {
		return Handed{}, err
	}
	who, wrong := o.who()
	faults = append(faults, wrong...)
	if o.h.Until != nil && o.h.Days > 0 {
		faults = append(faults, problem.Fault{Pointer: "/days", Detail: "give `until` or `days`, not both"})
	}
	if o.h.Until != nil && !o.h.Until.After(at) {
		faults = append(faults, problem.Fault{Pointer: "/until", Detail: "must be later than the handout; give a later time, or leave it out"})
	}
	if len(o.h.Tools) == 0 && o.h.Kit == "" {
		faults = append(faults, problem.Fault{Pointer: "/tools", Detail: "name the tools that go out, or a `kit`"})
	}
	if o.h.Kit != "" && len(o.kit.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/kit", Detail: fmt.Sprintf("there is no kit “%s” in this club; check its code, or GET kits", o.h.Kit)})
	}
	named, wrong := o.named()
	if faults = append(faults, wrong...); len(faults) > 0 {
		return Handed{}, problem.Invalid(faults...)
	}
	if err := o.look(ctx, tx, who, at); err != nil {
		return Handed{}, err
	}
	all, wrong := o.withKit(who, named, at)
	if len(wrong) > 0 {
		return Handed{}, problem.Invalid(wrong...)
	}
	var refused []RefusedTool
	var done Handed
	for i := range all {
		refused = append(refused, o.judge(&all[i], who, at, &done)...)
	}
	refused = append(refused, o.choices(all)...)
	refused = append(refused, o.atOnce(all, who)...)
	if len(refused) > 0 {
		return Handed{}, &Refusal{What: "Nothing was handed out.", Tools: refused}
	}
	o.write(tx, who, at, all, &done)
	return done, nil
}

func (o *HandoutOrder) who() (person, []problem.Fault) {
	if len(o.members.Items) == 0 {
		return person{}, []problem.Fault{{Pointer: "/member", Detail: fmt.Sprintf("there is no member “%s” in this club; check the number, or GET members", o.h.Member)}}
	}
	who := o.members.Items[0]
	if who.DisabledAt != nil {
		return who, []problem.Fault{{Pointer: "/member", Detail: "has left the club or was disabled, and borrows nothing"}}
	}
	return who, nil
}

// named finds the tools that were presented.
func (o *HandoutOrder) named() ([]going, []problem.Fault) {
	var out []going
	var faults []problem.Fault
	for i, p := range o.h.Tools {
		at := fmt.Sprintf("/tools/%d/tool", i)
		t := itemOf(o.items.Items, p.Tool)
		switch {
		case t == nil:
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("there is no tool “%s” in this club; check the number on it, or GET tools", p.Tool)})
		case slices.ContainsFunc(out, func(g going) bool { return g.tool == t }):
			faults = append(faults, problem.Fault{Pointer: at, Detail: "stands in this request already"})
		default:
			out = append(out, going{at: i, presented: p, tool: t})
		}
	}
	return out, faults
}

// look reads, behind the locks, what the tools are promised for and what the
// member may and has.
func (o *HandoutOrder) look(ctx context.Context, tx *postgres.Tx, who person, at time.Time) error {
	return tx.Send(ctx, func(b *postgres.Batch) {
		ids := idsOf(o.items.Items)
		o.held, o.out = promises(b, ids, at), openOf(b, ids)
		o.skills = findSkills(b, who.ID, postgres.Column(o.items.Items, func(i item) uuid.UUID { return i.ModelID }))
		o.burdens = findBurden(b, who.ID, tx.Now)
	})
}

// findSkills reads the member's certificates. Served by certificate_of_member.
func findSkills(b *postgres.Batch, member uuid.UUID, models []uuid.UUID) *postgres.Rows[skill] {
	return postgres.Query[skill](b, `select model_id, expires_on from certificate where club_id = $1 and member_id = $2 and model_id = any($3) and withdrawn_at is null`, b.Club, member, models)
}

// findBurden counts what is reserved by or out to a member.
func findBurden(b *postgres.Batch, member uuid.UUID, now time.Time) *postgres.Rows[burden] {
	return postgres.Query[burden](b, `
		select count(*)::integer as lines, coalesce(bool_or(b.state = 'out' and upper(b.period) < $3), false) as late
		from reservation r join booking b on b.club_id = r.club_id and b.reservation_id = r.id
		where r.club_id = $1 and r.member_id = $2 and (b.state = 'out' or b.state = 'reserved' and upper(b.period) > $3)`, b.Club, member, now)
}

// withKit joins what was presented with the kit: its parts are what goes out, or
// those of them that were presented.
func (o *HandoutOrder) withKit(who person, named []going, at time.Time) ([]going, []problem.Fault) {
	if o.h.Kit == "" {
		return named, nil
	}
	parts := slices.Clone(o.kit.Items)
	var faults []problem.Fault
	for _, g := range named {
		i := slices.IndexFunc(parts, func(p kitPart) bool { return p.ToolID != nil && *p.ToolID == g.tool.ID })
		if i < 0 {
			i = slices.IndexFunc(parts, func(p kitPart) bool { return p.ModelID != nil && *p.ModelID == g.tool.ModelID })
		}
		if i < 0 {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/tools/%d/tool", g.at), Detail: fmt.Sprintf("%s is no part of the kit %s, or one more than it has; hand it out by itself", g.tool.Number, codeOfKit(o.kit.Items))})
			continue
		}
		parts = slices.Delete(parts, i, i+1)
	}
	if len(named) > 0 || len(faults) > 0 {
		return named, faults
	}
	var out []going
	for _, p := range parts {
		var t *item
		if p.ToolID != nil {
			t = itemByID(o.items.Items, *p.ToolID)
		} else {
			for _, b := range o.held.Items {
				one := itemByID(o.items.Items, b.ToolID)
				if one.ModelID == *p.ModelID && b.KitID != nil && *b.KitID == p.ID && collectable(b, who.ID, at) && !slices.ContainsFunc(out, func(g going) bool { return g.tool == one }) {
					t = one
					break
				}
			}
		}
		if t == nil {
			faults = append(faults, problem.Fault{Pointer: "/tools", Detail: fmt.Sprintf("part %d of the kit is any %s: name the number of each tool that goes out", p.Ordinal+1, p.Model)})
			continue
		}
		out = append(out, going{at: -1, presented: Presented{Tool: t.Number}, tool: t})
	}
	return out, faults
}

func codeOfKit(parts []kitPart) string {
	if len(parts) == 0 {
		return ""
	}
	return parts[0].Code
}

// collectable reports whether b is a line of the member's that can be collected
// at that time: it covers it, or begins soon.
func collectable(b promise, member uuid.UUID, at time.Time) bool {
	return b.MemberID == member && b.State == "reserved" && b.BookedUntil.After(at) && !b.BookedFrom.After(at.Add(ahead))
}

// match finds the line that a tool was reserved by: the one that covers the time,
// else the next.
func (o *HandoutOrder) match(t *item, member uuid.UUID, at time.Time) *promise {
	var best *promise
	for i := range o.held.Items {
		b := &o.held.Items[i]
		if b.ToolID == t.ID && collectable(*b, member, at) && (best == nil || b.BookedFrom.Before(best.BookedFrom)) {
			best = b
		}
	}
	return best
}

// condition is how g goes out.
func (g going) condition() string { return cmp.Or(g.presented.Condition, g.tool.Condition) }

// despite is why g goes out though its calibration does not hold; empty where it
// does, whatever was said.
func (g going) despite() string {
	if g.tool.holdsBeyond(g.period.Until) {
		return ""
	}
	return g.presented.DespiteCalibration
}
