package loan

import (
	"fmt"
	"time"

	"pinwright/internal/calc/money"
	"pinwright/internal/lending"
)

// judge decides how one tool goes out, or why it does not.
func (o *HandoutOrder) judge(g *going, who person, at time.Time, done *Handed) []RefusedTool {
	var refused []RefusedTool
	no := func(code, format string, args ...any) {
		refused = append(refused, RefusedTool{Tool: g.tool.Number, Code: code, Detail: g.tool.Number + " " + fmt.Sprintf(format, args...)})
	}
	if t := g.tool; t.State != inService {
		no(t.State, "%s.", stateInWords[t.State])
	}
	for _, l := range o.out.Items() {
		if l.ToolID == g.tool.ID {
			no("not_in_house", "is not in the house: %s (%s) has it until %s. Record its return first.", l.MemberName, l.MemberNumber, g.tool.clock(l.Period.Until))
			return refused
		}
	}
	if need := g.tool.DepositMinor; o.roads.rules().DepositAtHandout && need != nil && *need > 0 && (g.presented.Deposit == nil || *g.presented.Deposit < *need) {
		no("deposit_missing", "goes out against a deposit of %s; take it and record it as `deposit`.", money.Amount{Minor: *need, Currency: money.Currency(o.roads.rules().Currency)}.Text())
	}
	g.line = o.match(g.tool, who.ID, at)
	if g.line == nil {
		return append(refused, o.walkIn(g, who, at, done)...)
	}
	g.before, g.heldAs = g.line.period(), g.line.held()
	g.period, g.held = g.before, g.heldAs
	switch {
	case g.line.Approval == "awaited":
		no("approval_awaited", "waits for an approval. Let a tool keeper or officer approve the reservation first.")
	case g.line.OfferUntil != nil:
		no("offer_open", "was offered to this member, who has not accepted yet. Let them accept the offer first.")
	}
	if who.isGuestBefore(g.period.Until) {
		no("guest_expired", "is due after the guest's stay ends, %s. Let the host extend the stay, or collect it themselves.", g.tool.clock(*who.GuestUntil))
	}
	if skilled(o.skills.Items, g.tool, g.period.Until) == nil {
		no("not_certified", "needs a certificate for %s that lasts to the end of the loan. Record one, or let somebody else borrow it.", g.tool.ModelCode)
	}
	if !g.tool.holdsBeyond(g.period.Until) && g.presented.DespiteCalibration == "" {
		no("calibration_due", "is lent until %s, and its calibration holds until %s. Calibrate it first, or say in `despite_calibration` why it goes out all the same.", g.tool.clock(g.period.Until), g.tool.clock(*g.tool.holdsUntil()))
	}
	if g.period.From.After(at) {
		for _, b := range o.inTheWay(g, lending.Period{From: at, Until: g.held.From}) {
			refused = append(refused, promisedUntil(g.tool, b))
		}
		g.period.From, g.held.From = at, earlier(g.held.From, at)
	}
	return refused
}

// isGuestBefore reports whether the member is a guest whose stay ends before t.
func (p person) isGuestBefore(t time.Time) bool {
	return p.GuestUntil != nil && p.GuestUntil.Before(t)
}

// skilled returns until where a member with those certificates may use t until
// then, else nil.
func skilled(skills []skill, t *item, until time.Time) *time.Time {
	if !t.CertificateNeeded {
		return &until
	}
	last := t.date(until.Add(-time.Microsecond))
	for _, s := range skills {
		if s.ModelID == t.ModelID && (s.ExpiresOn == nil || !s.ExpiresOn.Before(last)) {
			return &until
		}
	}
	return nil
}

// inTheWay are the promises of g's tool, but for its own line, that hold some of
// the time. What only waits for cleaning is not in the way of who has the tool in
// hand.
func (o *HandoutOrder) inTheWay(g *going, time lending.Period) []promise {
	var out []promise
	for _, b := range o.held.Items {
		if b.ToolID != g.tool.ID || g.line != nil && b.is(g.line.ReservationID, g.line.Line) || !overlaps(b.held(), time) {
			continue
		}
		if b.State == "returned" && !b.BookedUntil.After(time.From) {
			continue
		}
		out = append(out, b)
	}
	return out
}

func promisedUntil(t *item, b promise) RefusedTool {
	free := b.HeldUntil.UTC()
	if b.State == "returned" {
		return RefusedTool{Tool: t.Number, Code: "was_out", FreeFrom: &free, Detail: fmt.Sprintf("%s was out to somebody at that time, until %s; check `occurred_at`.", t.Number, t.clock(b.BookedUntil))}
	}
	return RefusedTool{Tool: t.Number, Code: "promised", FreeFrom: &free,
		Detail: fmt.Sprintf("%s is promised from %s until %s and free again from %s.", t.Number, t.clock(b.BookedFrom), t.clock(b.BookedUntil), t.clock(free))}
}

// choices refuses two tools that stand for one another.
func (o *HandoutOrder) choices(all []going) []RefusedTool {
	var refused []RefusedTool
	for i, g := range all {
		for _, other := range all[:i] {
			if g.line != nil && other.line != nil && g.line.Choice != nil && other.line.Choice != nil && g.line.ReservationID == other.line.ReservationID && *g.line.Choice == *other.line.Choice {
				refused = append(refused, RefusedTool{Tool: g.tool.Number, Code: "choice", Detail: fmt.Sprintf("%s was reserved as another choice than %s, and one of them goes out. Hand out one; then the other by itself.", g.tool.Number, other.tool.Number)})
				break
			}
		}
	}
	return refused
}

// atOnce refuses more than a member may have reserved and out.
func (o *HandoutOrder) atOnce(all []going, who person) []RefusedTool {
	var fresh []string
	for _, g := range all {
		if g.line == nil {
			fresh = append(fresh, g.tool.Number)
		}
	}
	if len(fresh) == 0 || len(o.burdens.Items) == 0 {
		return nil
	}
	has, most := o.burdens.Items[0], o.roads.rules().AtOnce
	var refused []RefusedTool
	for i, number := range fresh {
		if has.Lines+i+1 > most {
			refused = append(refused, RefusedTool{Tool: number, Code: "at_once", Detail: fmt.Sprintf("%s would be one more than the %d tools that a member may have reserved and out at once; %s has %d.", number, most, who.Number, has.Lines)})
		}
		if has.Late && o.roads.rules().LateBorrowersWait {
			refused = append(refused, RefusedTool{Tool: number, Code: "late_borrower", Detail: fmt.Sprintf("%s is not lent to %s, who has a tool that should be back; take that back first.", number, who.Number)})
		}
	}
	return refused
}

var stateInWords = map[string]string{
	"quarantine": "is in quarantine and goes out after an inspection only",
	"lost":       "is recorded as lost; record first that it was found",
	"retired":    "is retired and not lent any more",
}
