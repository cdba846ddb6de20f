package waiting

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

const (
	// stretches and starts bound how many free stretches are looked at for one
	// entry, and how many times are tried in them.
	stretches = 50
	starts    = 60
)

// What can be in the way of an entry, beside the problems of a reservation.
const (
	nothingFree   = "tool-taken"
	notLendable   = "not-lendable"
	hasAlready    = "has-already"    // the member has one of the tools at every time that is free
	declinedAll   = "offered-before" // every time that is free was offered and not taken
	memberIsGone  = "member-disabled"
	stayEnds      = "guest-stay-ends"
	nothingInside = "not-lendable" // a kit without parts, or one that was retired
)

// part is a tool that is needed: this one, or any of a model.
type part struct {
	ToolID  *uuid.UUID
	ModelID *uuid.UUID
	KitID   *uuid.UUID
	Retired bool // its kit
}

type stretch struct{ Starts, Ends time.Time }

func (s stretch) period() lending.Period {
	return lending.Period{From: s.Starts.UTC(), Until: s.Ends.UTC()}
}

// circumstances are what decides about an entry beside what is free.
type circumstances struct {
	parts  *postgres.Rows[part]
	before *postgres.Rows[stretch] // what was offered to it
	own    *postgres.Rows[stretch] // for what the member has tools that it needs
	member *postgres.Rows[borrower]
	rules  *postgres.Rows[rules]
	homes  *postgres.Rows[home]
	table  *opening.Table
}

// home is where a tool that may serve lives.
type home struct {
	Number   string
	GarageID uuid.UUID
}

// borrower is who waits, as far as they may borrow at all.
type borrower struct {
	Disabled   bool
	GuestUntil *time.Time // no longer than that
}

type rules struct {
	OfferHours      int
	TurnaroundHours int
}

func lookAround(b *postgres.Batch, entry uuid.UUID, now time.Time) circumstances {
	return circumstances{
		parts: postgres.Query[part](b, `
			select coalesce(l.tool_id, p.tool_id) as tool_id, coalesce(l.model_id, p.model_id) as model_id, l.kit_id, k.retired_at is not null as retired
			from waiting_line l
			left join kit k on k.club_id = l.club_id and k.id = l.kit_id
			left join kit_part p on p.club_id = l.club_id and p.kit_id = l.kit_id
			where l.club_id = $1 and l.entry_id = $2 order by l.ordinal, p.ordinal`, b.Club, entry),
		before: postgres.Query[stretch](b, `select lower(period) as starts, upper(period) as ends from waiting_offer where club_id = $1 and entry_id = $2`, b.Club, entry),
		own: postgres.Query[stretch](b, `
			select lower(x.period) as starts, upper(x.period) as ends
			from waiting_entry e
			join reservation r on r.club_id = e.club_id and r.member_id = e.member_id and r.cancelled_at is null
			join booking x on x.club_id = r.club_id and x.reservation_id = r.id and x.state in ('reserved', 'out') and upper(x.period) > $3
			where e.club_id = $1 and e.id = $2 and x.tool_id in (`+serving("e.club_id", "e.id")+`)`, b.Club, entry, now),
		member: postgres.Query[borrower](b, `select m.disabled_at is not null as disabled, m.guest_until from waiting_entry e join member m on m.club_id = e.club_id and m.id = e.member_id where e.club_id = $1 and e.id = $2`, b.Club, entry),
		rules: postgres.Query[rules](b, `
			select coalesce(l.offer_hours, 24) as offer_hours, c.turnaround_hours from club c left join lending_rule l on l.club_id = c.club_id where c.club_id = $1`, b.Club),
		homes: postgres.Query[home](b, `select t.number, t.garage_id from tool t where t.club_id = $1 and t.id in (`+serving("$1", "$2")+`)`, b.Club, entry),
		table: opening.Load(b, now),
	}
}

// serving are the tools that may serve a line of an entry.
func serving(club, entry string) string {
	return `
		select l.tool_id from waiting_line l where l.club_id = ` + club + ` and l.entry_id = ` + entry + ` and l.tool_id is not null
		union all
		select t.id from waiting_line l join tool t on t.club_id = l.club_id and t.model_id = l.model_id where l.club_id = ` + club + ` and l.entry_id = ` + entry + `
		union all
		select p.tool_id from waiting_line l join kit_part p on p.club_id = l.club_id and p.kit_id = l.kit_id
		where l.club_id = ` + club + ` and l.entry_id = ` + entry + ` and p.tool_id is not null
		union all
		select t.id from waiting_line l join kit_part p on p.club_id = l.club_id and p.kit_id = l.kit_id
		join tool t on t.club_id = p.club_id and t.model_id = p.model_id where l.club_id = ` + club + ` and l.entry_id = ` + entry
}

// consider offers an entry the first time that it can take, or notes what is in
// the way. It returns errMoved, and does nothing, when something was freed since
// the survey.
func consider(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, s surveyed) (bool, error) {
	did := false
	var found Entries
	var around circumstances
	err := db.Write(ctx, club, now, func(b *postgres.Batch) {
		found = Lock(b, s.ID)
		around = lookAround(b, s.ID, now)
	}, func(tx *postgres.Tx) error {
		did = false
		e, err := found.One()
		if err != nil || e.State != Waiting {
			return err // another sweep, or the member, was faster
		}
		r, hindrance, err := e.offer(ctx, tx, around, s.Seq)
		if err != nil {
			return err
		}
		if r == nil {
			note(tx, e, s.Seq, *hindrance)
			return nil
		}
		did = true
		e.offered(tx, *r)
		return nil
	})
	return did, err
}

// hindrance is what is in the way of an entry.
type hindrance struct{ code, text string }

// note keeps what was in the way, and where the journal stood. It is no change
// of the entry: nobody did anything.
func note(tx *postgres.Tx, e Entry, seq int64, h hindrance) {
	tx.Queue(`update waiting_entry set looked_at = $3, looked_seq = $4, hindrance = $5, hindrance_text = $6 where club_id = $1 and id = $2`,
		tx.Club, e.ID, kept(tx.Now), seq, h.code, h.text)
}

// offered puts e into the state of having the offer r.
func (e Entry) offered(tx *postgres.Tx, r lending.Reservation) {
	whole := r.Lines[0].Period
	for _, l := range r.Lines {
		if l.Period.From.Before(whole.From) {
			whole.From = l.Period.From
		}
		if l.Period.Until.After(whole.Until) {
			whole.Until = l.Period.Until
		}
	}
	e.Offer = &Offer{ReservationID: r.ID, Period: whole, OfferedAt: kept(tx.Now), Until: *r.OfferUntil, Outcome: "open"}
	tx.Queue(`insert into waiting_offer (club_id, entry_id, reservation_id, period, offered_at, offer_until) values ($1, $2, $3, tstzrange($4, $5), $6, $7)`,
		tx.Club, e.ID, r.ID, whole.From, whole.Until, e.Offer.OfferedAt, e.Offer.Until)
	journal.Append(tx, journal.Event{Type: "reservation.offered", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: uuid.Nil}, r)
	e.end(tx, uuid.Nil, Offered, "")
}

// offer books the first time that e can take. Without one it says what is in the
// way.
func (e Entry) offer(ctx context.Context, tx *postgres.Tx, around circumstances, seq int64) (*lending.Reservation, *hindrance, error) {
	rule, err := around.rules.One()
	if err != nil {
		return nil, nil, err
	}
	who, err := around.member.One()
	if err != nil {
		return nil, nil, err
	}
	if who.Disabled {
		return nil, &hindrance{memberIsGone, "The member is disabled."}, nil
	}
	if err := around.table.Settle(); err != nil {
		return nil, nil, err
	}
	need, lines, empty := e.need(around.parts.Items)
	if empty {
		return nil, &hindrance{nothingInside, "A kit of it is retired or holds nothing."}, nil
	}
	window := lending.Period{From: latestOf(e.Window.From, tx.Now.Add(answerTime)), Until: e.Window.Until}
	if who.GuestUntil != nil && who.GuestUntil.Before(window.Until) {
		window.Until = who.GuestUntil.UTC()
	}
	if window.Until.Before(window.From.Add(e.Duration())) {
		return nil, &hindrance{stayEnds, "What is left of the window ends after the stay of the guest."}, nil
	}
	need.Now = tx.Now // what is late then is not promised
	var free *lending.Free
	need.Now = tx.Now
	if err := tx.Send(ctx, func(b *postgres.Batch) { free = lending.CommonFree(b, need, window, e.Duration(), stretches) }); err != nil {
		return nil, nil, err
	}
	var inTheWay *hindrance
	times, none := e.times(window, free, around)
	for _, period := range times {
		until := tx.Now.Add(time.Duration(rule.OfferHours) * time.Hour)
		if period.From.Before(until) {
			until = period.From
		}
		until = kept(until)
		var order *lending.Order
		var moved *postgres.Rows[bool]
		wish := lending.Wish{Lines: lines, Common: lending.When{Period: &period}, Now: tx.Now}
		if err := tx.Send(ctx, func(b *postgres.Batch) {
			order = lending.Lock(b, lending.Member(e.MemberID), wish)
			// Behind the locks: what was freed by then is seen.
			moved = postgres.Values[bool](b, `select exists (select from event e where e.club_id = $1 and e.seq > $2 and `+frees(3, 4)+`)`,
				b.Club, seq, freesNothing.Subjects, freesNothing.Types)
		}); err != nil {
			return nil, nil, err
		}
		r, err := order.Book(ctx, tx, lending.Booker{ID: uuid.Must(uuid.NewV7()), Turnaround: time.Duration(rule.TurnaroundHours) * time.Hour, OfferUntil: &until, Refuse: refusal})
		if p, refused := problem.As(err); refused && p.Kind.Status < 500 {
			if inTheWay == nil {
				inTheWay = &hindrance{p.Kind.Code, sentenceOf(p)}
			}
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		if slices.Contains(moved.Items, true) {
			return nil, nil, errMoved
		}
		return &r, nil, nil
	}
	if inTheWay == nil {
		inTheWay = &none
	}
	return nil, inTheWay, nil
}

// need is what parts are to lending; empty when a kit holds nothing that can be
// lent.
func (e Entry) need(parts []part) (need lending.Need, lines []lending.Line, empty bool) {
	for _, p := range parts {
		switch {
		case p.Retired:
			return need, nil, true
		case p.ToolID != nil && slices.Contains(need.Tools, p.ToolID.String()): // a tool of a kit, and by itself
		case p.ToolID != nil:
			need.Tools = append(need.Tools, p.ToolID.String())
			lines = append(lines, lending.Line{Tool: p.ToolID.String()})
		case p.ModelID != nil:
			need.Models = append(need.Models, p.ModelID.String())
			lines = append(lines, lending.Line{Model: p.ModelID.String()})
		default:
			return need, nil, true
		}
	}
	return need, lines, len(lines) == 0
}

// refusal is what lending's refusal is told as here.
func refusal(r lending.Refusal) *problem.Error {
	kind, detail := problem.ToolTaken, "Everything was free and was taken by somebody else this moment."
	if len(r.Unlendable) > 0 {
		kind, detail = problem.NotLendable, r.Unlendable[0].Detail
	} else if len(r.Taken) > 0 {
		detail = r.Taken[0].Detail
	}
	return problem.New(kind, "%s", detail)
}

// sentenceOf tells p without where its faults stand, which is in no request of
// the member's.
func sentenceOf(p *problem.Error) string {
	if len(p.Faults) > 0 {
		return p.Faults[0].Detail
	}
	return p.Detail
}
