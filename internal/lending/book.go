package lending

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/journal"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Booker is by which rule an order is booked.
type Booker struct {
	ID         uuid.UUID     // of the reservation
	Turnaround time.Duration // of models that have none of their own
	OfferUntil *time.Time    // for somebody who waits: until when they may say yes
	WalkIn     bool          // collected in the same transaction
	// Clerk says that a tool keeper or an officer records it over the counter: they
	// have seen who borrows what, so nothing waits for an approval, and an instrument
	// may go out that is due for calibration.
	Clerk bool
	// Refuse makes the problem that a refusal is told as.
	Refuse func(Refusal) *problem.Error
}

// Book books all lines of o, in the transaction whose batch o was queued on, or
// refuses: with faults that the member must mend, with what Booker.Refuse makes of
// lines that cannot be served, or with the club's rule that stands against it. A
// refusal for what is taken costs a further round trip, for when the tools are free.
func (o *Order) Book(ctx context.Context, tx *postgres.Tx, by Booker) (Reservation, error) {
	if err := o.open(by); err != nil {
		return Reservation{}, err
	}
	form := o.wish.formFaults() // of what was asked, before it is given a period
	_, unknown := o.wish.parts(o.kitNamed)
	found := true
	if o.wish.NextFree > 0 && len(form) == 0 {
		found = o.take(tx.Now)
	}
	asks, faults := o.asks(0, tx.Now)
	faults = slices.Concat(form, unknown, o.unknownGarages(), faults)
	if o.recommendations != nil && len(o.recommendations.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/recommendation", Detail: "there is no such recommendation in this club; leave it out, or GET recommendations"})
	}
	faults = append(append(faults, repeated(asks)...), o.undecidable(asks, tx.Now)...)
	if faults = once(faults); len(faults) > 0 {
		return Reservation{}, problem.Invalid(faults...)
	}
	if lines := unlendable(asks); len(lines) > 0 {
		return Reservation{}, by.Refuse(Refusal{Unlendable: lines})
	}
	if !found {
		return Reservation{}, by.Refuse(o.nothingFree(asks))
	}
	chosen := assign(asks, o.promised(o.held.Items, tx.Now))
	if slices.Contains(chosen, -1) {
		refusal, err := o.taken(ctx, tx, asks, chosen, o.asks)
		if err != nil {
			return Reservation{}, err
		}
		return Reservation{}, by.Refuse(refusal)
	}
	picked := picks(asks, chosen)
	if err := o.borrower.uncertified(picked); err != nil {
		return Reservation{}, err
	}
	rules := o.rules.Get()
	if err := AgainstRules("Nothing was booked.", o.borrower.breaches(rules, picked, nil, len(picked), tx.Now)); err != nil {
		return Reservation{}, err
	}
	r := o.made(tx, by, asks, picked, rules)
	add(tx, r, by.Refuse(unforeseen(asks, chosen)))
	return r, nil
}

// open puts what was looked up in order, and takes the wish apart.
func (o *Order) open(by Booker) error {
	if err := o.settle(); err != nil {
		return err
	}
	o.turnaround, o.clerk = by.Turnaround, by.Clerk || o.borrower.isClerk()
	o.parts, _ = o.wish.parts(o.kitNamed)
	return nil
}

// made is the reservation in which each of asks, which are o's, gets what was picked for it.
func (o *Order) made(tx *postgres.Tx, by Booker, asks []ask, picked []option, rules Rules) Reservation {
	r := Reservation{ID: by.ID, MemberID: o.borrower.id(), Purpose: o.wish.Purpose, RecommendationID: o.wish.Recommendation, CreatedAt: kept(tx.Now), Version: 1,
		Approval: notNeeded, OfferUntil: by.OfferUntil, WalkIn: by.WalkIn, ChangedAt: kept(tx.Now), own: 1}
	if !o.clerk && needsApproval(rules, picked) {
		r.Approval = awaited
	}
	for i, a := range asks {
		a.line = o.parts[i].line
		r.Lines = append(r.Lines, o.line(i, a, picked[i], o.decideBy(a, picked[i].period.From)))
	}
	r.Version += o.changes(r.Lines)
	return r
}

// picks are the options chosen, which is one of each ask.
func picks(asks []ask, chosen []int) []option {
	out := make([]option, len(asks))
	for i, a := range asks {
		out[i] = a.options[chosen[i]]
	}
	return out
}

// needsApproval reports whether any of chosen is lent only when somebody
// approves.
func needsApproval(r Rules, chosen []option) bool {
	return slices.ContainsFunc(chosen, func(o option) bool {
		return o.tool.ApprovalNeeded || r.ApprovalFromMinor != nil && o.tool.ValueMinor != nil && *o.tool.ValueMinor >= *r.ApprovalFromMinor
	})
}

// line is line n of a reservation, by which a gets one of its options.
func (o *basis) line(n int, a ask, by option, decideBy *time.Time) Booking {
	line := Booking{Line: n, ToolID: by.tool.ID, ToolNumber: by.tool.Number, ToolModel: by.tool.ModelCode, Caution: by.tool.Caution,
		Period: by.period, Held: by.held, State: "reserved", Exactly: a.exactly, KitID: a.kit, Choice: a.choice, DecideBy: decideBy,
		CollectedID: by.tool.HomeID, CollectedAt: by.tool.HomeCode}
	if by.place != nil {
		line.zone = by.place.Zone
	}
	if a.isModel {
		line.AskedModelID = &by.tool.ModelID
	}
	if a.garage != nil {
		line.GarageID, line.CollectedID, line.CollectedAt = &a.garage.ID, a.garage.ID, a.garage.Code
	}
	if a.kit != nil && o.kits != nil {
		for _, k := range o.kits.Items {
			if k.KitID == *a.kit {
				line.Kit = k.Code
			}
		}
	}
	if o.rules.Get().DepositAtHandout {
		line.DepositMinor = by.tool.DepositMinor
	}
	return line
}

// changes is how often what shows of lines beside their reservation has changed:
// tools, models, garages, kits and the club's rules.
func (o *basis) changes(lines []Booking) int64 {
	n := (o.rules.Get().Version - 1) * int64(len(lines))
	for _, l := range lines {
		for i := range o.tools.Items {
			if t := &o.tools.Items[i]; t.ID == l.ToolID {
				n += t.Changes
				if l.GarageID == nil {
					n += t.HomeVersion - 1
				}
			}
		}
		if l.GarageID != nil {
			for i := range o.garages.Items {
				if g := &o.garages.Items[i]; g.ID == *l.GarageID {
					n += g.Version - 1
					break // it may stand there twice
				}
			}
		}
		if l.KitID != nil {
			n += o.kitVersion(*l.KitID) - 1
		}
	}
	return n
}

func (o *basis) kitVersion(id uuid.UUID) int64 {
	if o.kits != nil {
		for _, k := range o.kits.Items {
			if k.KitID == id {
				return k.Version
			}
		}
	}
	return 1
}

// take gives a wish for the next free stretch its period, which begins and ends
// in opening hours and so may be longer; false when there is none within the outlook.
// Everything is free together first either now, or when a tool that one of the
// lines may have becomes free, or when a garage opens.
func (o *Order) take(now time.Time) bool {
	try := func(p Period) ([]ask, []problem.Fault) {
		o.wish.Common = When{Period: &p}
		return o.asks(0, now)
	}
	asked := Period{From: o.wish.Now, Until: o.wish.Now.Add(o.wish.NextFree)}
	o.wish.Common = When{Period: &asked}
	places, leads := o.whereabouts()
	if len(places) == 0 {
		return true // told by its faults
	}
	busy := o.promised(o.held.Items, now)
	starts := []time.Time{o.wish.Now}
	for id, held := range busy {
		for _, h := range held {
			for _, lead := range leads[id] {
				starts = append(starts, h.Until.Add(lead))
			}
		}
	}
	last := o.wish.Now.Add(outlook)
	for _, place := range places {
		for _, s := range place.Within(o.wish.Now, last) {
			starts = append(starts, s.From)
		}
	}
	slices.SortFunc(starts, time.Time.Compare)
	starts = slices.CompactFunc(starts, time.Time.Equal)
	for _, at := range starts {
		p, ok := openPeriod(places, at, o.wish.NextFree)
		if at.Before(o.wish.Now) || !ok || p.Until.After(last) {
			continue
		}
		if asks, faults := try(p); len(faults) == 0 && len(unlendable(asks)) == 0 && !slices.Contains(assign(asks, busy), -1) {
			return true
		}
	}
	if p, ok := openPeriod(places, o.wish.Now, o.wish.NextFree); ok {
		asked = p
	}
	try(asked)
	return false
}

// whereabouts are the places where the parts may be collected, and by tool how
// long it is on its way there.
func (o *Order) whereabouts() (places []*opening.Place, leads map[uuid.UUID][]time.Duration) {
	leads = map[uuid.UUID][]time.Duration{}
	for _, p := range o.parts {
		garage, _ := o.wish.collected(p.line)
		counter := o.garageNamed(garage)
		for _, t := range o.serving(p) {
			where, lead := t.place, time.Duration(0)
			if counter != nil {
				where, lead = counter.place, o.places.Travel(t.HomeID, counter.ID)
			}
			if !slices.Contains(places, where) {
				places = append(places, where)
			}
			if !slices.Contains(leads[t.ID], lead) {
				leads[t.ID] = append(leads[t.ID], lead)
			}
		}
	}
	return places, leads
}

// openPeriod is the first period from at on, at least so long, that begins when
// all of places hand out and ends when all of them take back; false when there is
// none within reach.
func openPeriod(places []*opening.Place, at time.Time, long time.Duration) (Period, bool) {
	from, ok := agreed(places, at, (*opening.Place).Next)
	if !ok {
		return Period{}, false
	}
	until, ok := agreed(places, from.Add(long), (*opening.Place).NextReturn)
	return Period{From: from, Until: until}, ok
}

// agreed is the first moment from at on that is next's of all places at once;
// false when there is none within the outlook.
func agreed(places []*opening.Place, at time.Time, next func(*opening.Place, time.Time) (time.Time, bool)) (time.Time, bool) {
	last := at.Add(outlook)
	for agree := 0; agree < len(places); {
		agree = 0
		for _, p := range places {
			then, ok := next(p, at)
			if !ok || then.After(last) {
				return at, false
			}
			if then.After(at) {
				at = then
				break
			}
			agree++
		}
	}
	return at, true
}

// nothingFree refuses a wish for the next free stretch when there is none.
func (o *Order) nothingFree(asks []ask) Refusal {
	var r Refusal
	for _, a := range asks {
		r.Taken = append(r.Taken, TakenLine{Line: a.line, Tools: []string{}, Asked: Period{From: o.wish.Now, Until: o.wish.Now.Add(outlook)},
			Detail: fmt.Sprintf("%s is not free for %s together with the rest within %d days, or not in service.", a.name, inHours(o.wish.NextFree), int(outlook.Hours()/24))})
	}
	return r
}

// once leaves out faults that stand in the list already: a common period is
// resolved for each line that uses it.
func once(faults []problem.Fault) []problem.Fault {
	var out []problem.Fault
	for _, f := range faults {
		if !slices.ContainsFunc(out, func(g problem.Fault) bool { return g.Pointer == f.Pointer && g.Detail == f.Detail }) {
			out = append(out, f)
		}
	}
	return out
}

// promised are the stretches for which tools are held, without those of lines
// that are being changed. A tool that is late is held until it may be cleaned and
// back home if it came this moment.
func (o *basis) promised(rows []heldRow, now time.Time) promises {
	out := promises{}
	for _, row := range rows {
		if o.left.has(row.Booking, row.Line) {
			continue
		}
		held := Period{From: row.HeldFrom, Until: row.HeldUntil}
		if row.State == "out" && row.Ends.Before(now) {
			held.Until = now.Add(held.Until.Sub(row.Ends))
		}
		out[row.ToolID] = append(out[row.ToolID], held)
	}
	for id := range out {
		slices.SortFunc(out[id], func(a, b Period) int { return a.From.Compare(b.From) })
	}
	return out
}

// add writes r. overlap is told when no_double_booking refuses it, which takes a
// writer that has not locked the tool.
func add(tx *postgres.Tx, r Reservation, overlap *problem.Error) {
	tx.Queue(`insert into reservation (club_id, id, member_id, purpose, recommendation_id, created_at, approval, offer_until, walk_in, changed_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, r.ID, r.MemberID, r.Purpose, r.RecommendationID, r.CreatedAt, r.Approval, r.OfferUntil, r.WalkIn, r.ChangedAt)
	tx.Queue(`
		insert into booking (club_id, reservation_id, line, tool_id, period, held, garage_id, asked_model_id, exactly, kit_id, choice, decide_by)
		select $1, $2, line, tool, tstzrange(starts, ends), tstzrange(held_from, held_until), garage, model, exactly, kit, choice, decide_by
		from unnest($3::smallint[], $4::uuid[], $5::timestamptz[], $6::timestamptz[], $7::timestamptz[], $8::timestamptz[], $9::uuid[], $10::uuid[], $11::boolean[],
			$12::uuid[], $13::smallint[], $14::timestamptz[])
			as l(line, tool, starts, ends, held_from, held_until, garage, model, exactly, kit, choice, decide_by)`,
		append([]any{tx.Club, r.ID}, lineColumns(r.Lines)...)...).
		Refuse("no_double_booking", overlap).
		Refuse("guest_stays_as_long", club.BeyondStay())
	journal.Append(tx, journal.Event{Type: "reservation.created", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: r.MemberID}, r)
}

// lineColumns spells lines as the columns of their insertion.
func lineColumns(lines []Booking) []any {
	column := func(pick func(Booking) any) []any {
		out := make([]any, len(lines))
		for i, b := range lines {
			out[i] = pick(b)
		}
		return out
	}
	return []any{
		column(func(b Booking) any { return b.Line }), column(func(b Booking) any { return b.ToolID }),
		column(func(b Booking) any { return b.Period.From }), column(func(b Booking) any { return b.Period.Until }),
		column(func(b Booking) any { return b.Held.From }), column(func(b Booking) any { return b.Held.Until }),
		column(func(b Booking) any { return b.GarageID }), column(func(b Booking) any { return b.AskedModelID }),
		column(func(b Booking) any { return b.Exactly }), column(func(b Booking) any { return b.KitID }),
		column(func(b Booking) any { return b.Choice }), column(func(b Booking) any { return b.DecideBy }),
	}
}
