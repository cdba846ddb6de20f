package waiting

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

const (
	// mostOpen is how many entries one member may have open at once.
	mostOpen = 10
	// answerTime is the least time between now and an offered period's start.
	answerTime = time.Hour
	farthest   = 400 * 24 * time.Hour
)

// Wish is what somebody joins the line with.
type Wish struct {
	Lines       []Asked
	From, Until time.Time // a zero From means now
	Hours, Days *int
}

// Asked is one thing that is needed, by id or the people's own name: one of the
// three is given.
type Asked struct{ Tool, Model, Kit string }

// Joiner is who is to wait: the member behind a token, or, where a keeper does
// it, whom Named says.
type Joiner struct {
	Holder string // a query of the id of who asks, by the club ($1) and Key ($2)
	Key    []byte
	Named  *postgres.Ref
}

// member is a query of the joiner's id, with its arguments behind the club.
func (j Joiner) member() (string, []any) {
	if j.Named != nil {
		return `select id from member where club_id = $1 and (id = $2 or number = $3)`, []any{j.Named.ID, j.Named.Name}
	}
	return j.Holder, []any{j.Key}
}

type joining struct {
	ID       uuid.UUID
	Disabled bool
}

// thing is a tool, model or kit that was asked for.
type thing struct {
	At    int // the line
	ID    uuid.UUID
	Label string
	Gone  string // why nothing of it will ever be lent; empty while something may be
}

// Joining is what was looked up for a wish.
type Joining struct {
	wish                Wish
	member              *postgres.Rows[joining]
	tools, models, kits *postgres.Rows[thing]
	open                *postgres.Rows[int]
	longest             *postgres.Rows[int]
}

// LookUp queues the lookups of w. The member's row is locked first, so that
// entries that are made at once are counted.
func LookUp(b *postgres.Batch, who Joiner, w Wish) *Joining {
	j := &Joining{wish: w}
	member, args := who.member()
	args = append([]any{b.Club}, args...)
	j.member = postgres.Query[joining](b, `select id, disabled_at is not null as disabled from member where club_id = $1 and id = (`+member+`) for no key update`, args...)
	j.open = postgres.Values[int](b, `select count(*) from waiting_entry where club_id = $1 and member_id = (`+member+`) and state in ('waiting', 'offered')`, args...)
	column := func(of func(Asked) string) (at []int, ids []*uuid.UUID, names []*string) {
		for i, l := range w.Lines {
			text := of(l)
			if text == "" {
				continue
			}
			at = append(at, i)
			if ref := postgres.ParseRef(text); ref.ID != nil {
				ids, names = append(ids, ref.ID), append(names, nil)
			} else {
				ids, names = append(ids, nil), append(names, &text)
			}
		}
		return at, ids, names
	}
	at, ids, names := column(func(l Asked) string { return l.Tool })
	j.tools = postgres.Query[thing](b, `
		select r.at, t.id, t.number as label, case when t.state in ('retired', 'lost') then t.number || ' is ' || t.state else '' end as gone
		from unnest($2::integer[], $3::uuid[], $4::text[]) as r(at, id, name)
		join tool t on t.club_id = $1 and (t.id = r.id or t.number = r.name)`, b.Club, at, ids, names)
	at, ids, names = column(func(l Asked) string { return l.Model })
	j.models = postgres.Query[thing](b, `
		select r.at, m.id, m.code as label, case when exists (
			select from tool t where t.club_id = m.club_id and t.model_id = m.id and t.state not in ('retired', 'lost')
		) then '' else 'the club has no ' || m.code || ' any more' end as gone
		from unnest($2::integer[], $3::uuid[], $4::text[]) as r(at, id, name)
		join tool_model m on m.club_id = $1 and (m.id = r.id or m.code = r.name)`, b.Club, at, ids, names)
	at, ids, names = column(func(l Asked) string { return l.Kit })
	j.kits = postgres.Query[thing](b, `
		select r.at, k.id, k.code as label, case when k.retired_at is not null then 'the kit ' || k.code || ' is retired' else '' end as gone
		from unnest($2::integer[], $3::uuid[], $4::text[]) as r(at, id, name)
		join kit k on k.club_id = $1 and (k.id = r.id or k.code = r.name)`, b.Club, at, ids, names)
	j.longest = postgres.Values[int](b, `select coalesce((select longest_loan_days from lending_rule where club_id = $1), 90)`, b.Club)
	return j
}

// Member is who is to wait; none where nobody has that name.
func (j *Joining) Member() *uuid.UUID {
	if len(j.member.Items) == 0 {
		return nil
	}
	return &j.member.Items[0].ID
}

// Join makes the entry id, or tells what must be mended.
func (j *Joining) Join(tx *postgres.Tx, actor, id uuid.UUID) (Entry, error) {
	w := j.wish
	e := Entry{ID: id, JoinedBy: actor, JoinedAt: kept(tx.Now), Hours: w.Hours, Days: w.Days, State: Waiting, ChangedAt: kept(tx.Now), Version: 1}
	e.Window.From, e.Window.Until = kept(w.From), kept(w.Until)
	if w.From.IsZero() || w.From.Before(tx.Now) {
		e.Window.From = kept(tx.Now)
	}
	lines, faults := j.lines()
	faults = append(faults, j.timeFaults(e, tx.Now)...)
	switch member := j.Member(); {
	case member == nil:
		faults = append(faults, problem.Fault{Pointer: "/member", Detail: "there is no such member in this club; check the number, or GET members"})
	case j.member.Items[0].Disabled:
		faults = append(faults, problem.Fault{Pointer: "/member", Detail: "is disabled and cannot borrow; an officer can enable the member again"})
	default:
		e.MemberID = *member
	}
	if len(faults) > 0 {
		return e, problem.Invalid(faults...)
	}
	e.Lines = lines
	if open, err := j.open.One(); err != nil || open >= mostOpen {
		if err != nil {
			return e, err
		}
		return e, problem.New(problem.NotAllowedNow, "%d entries of this member are open already, which is the most. Leave one that is not needed any more, then join again.", open)
	}
	tx.Queue(`insert into waiting_entry (club_id, id, member_id, joined_by, joined_at, window_from, window_until, hours, days, changed_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $5)`, tx.Club, e.ID, e.MemberID, e.JoinedBy, e.JoinedAt, e.Window.From, e.Window.Until, e.Hours, e.Days)
	tx.Queue(`insert into waiting_line (club_id, entry_id, ordinal, tool_id, model_id, kit_id)
		select $1, $2, ordinal, tool, model, kit from unnest($3::smallint[], $4::uuid[], $5::uuid[], $6::uuid[]) as l(ordinal, tool, model, kit)`,
		tx.Club, e.ID, postgres.Column(lines, func(l Line) int { return l.Ordinal }), postgres.Column(lines, func(l Line) *uuid.UUID { return l.ToolID }),
		postgres.Column(lines, func(l Line) *uuid.UUID { return l.ModelID }), postgres.Column(lines, func(l Line) *uuid.UUID { return l.KitID }))
	journal.Append(tx, journal.Event{Type: joined, Subject: e.ID, Version: e.Version, Audience: journal.ForClub, Actor: actor}, e)
	return e, nil
}

// lines finds what the lines name.
func (j *Joining) lines() ([]Line, []problem.Fault) {
	var out []Line
	var faults []problem.Fault
	seen := map[uuid.UUID]int{}
	for i, asked := range j.wish.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		field, list, name, found := "tool", "tools", asked.Tool, j.tools
		given := 0
		for _, text := range []string{asked.Tool, asked.Model, asked.Kit} {
			if text != "" {
				given++
			}
		}
		switch {
		case given != 1:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "name one thing: a `tool`, a `tool_model` of which any will do, or a `kit`; use a line for each"})
			continue
		case asked.Model != "":
			field, list, name, found = "tool_model", "tool-models", asked.Model, j.models
		case asked.Kit != "":
			field, list, name, found = "kit", "kits", asked.Kit, j.kits
		}
		var one *thing
		for k := range found.Items {
			if found.Items[k].At == i {
				one = &found.Items[k]
			}
		}
		if one == nil {
			faults = append(faults, problem.Fault{Pointer: at + "/" + field, Detail: fmt.Sprintf("there is no “%s” in this club; check the spelling, or GET %s", name, list)})
			continue
		}
		if one.Gone != "" {
			faults = append(faults, problem.Fault{Pointer: at + "/" + field, Detail: one.Gone + "; wait for another"})
			continue
		}
		line := Line{Ordinal: i, Label: one.Label}
		switch field {
		case "tool":
			line.ToolID = &one.ID
		case "tool_model":
			line.ModelID = &one.ID
		default:
			line.KitID = &one.ID
		}
		if first, again := seen[one.ID]; again && field != "tool_model" {
			faults = append(faults, problem.Fault{Pointer: at + "/" + field, Detail: fmt.Sprintf("line %d has this already; leave one of the two out", first)})
			continue
		}
		seen[one.ID] = i
		out = append(out, line)
	}
	return out, faults
}

// timeFaults reports what is wrong with the window and the duration of e.
func (j *Joining) timeFaults(e Entry, now time.Time) []problem.Fault {
	var faults []problem.Fault
	fault := func(pointer, detail string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf(detail, args...)})
	}
	switch {
	case e.Hours == nil && e.Days == nil:
		fault("/hours", "say for how long the tools are needed: `hours` or `days`")
		return faults
	case e.Hours != nil && e.Days != nil:
		fault("/days", "give `hours` or `days`, not both")
		return faults
	}
	switch start := latestOf(e.Window.From, now.Add(answerTime)); {
	case !e.Window.Until.After(now):
		fault("/window/until", "lies in the past; nothing could be offered any more")
	case !e.Window.Until.After(e.Window.From):
		fault("/window/until", "must be later than from")
	case e.Window.Until.After(now.Add(farthest)):
		fault("/window/until", "is too far ahead: at most %d days from now", int(farthest.Hours()/24))
	case e.Window.Until.Before(start.Add(e.Duration())):
		fault("/window/until", "leaves no room for %s: an offer begins an hour from now at the earliest, so that there is time to answer it", e.lasting())
	}
	if longest, err := j.longest.One(); err == nil && e.Duration() > time.Duration(longest)*24*time.Hour {
		pointer := "/hours"
		if e.Days != nil {
			pointer = "/days"
		}
		fault(pointer, "is longer than the club lends: %d days at most", longest)
	}
	return faults
}

func (e Entry) lasting() string {
	if e.Hours != nil {
		return fmt.Sprintf("%d h", *e.Hours)
	}
	return fmt.Sprintf("%d days", *e.Days)
}

func latestOf(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func kept(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }
