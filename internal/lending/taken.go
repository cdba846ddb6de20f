package lending

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Refusal is why an order cannot be booked: lines of which nothing is in
// service, or else lines that are taken.
type Refusal struct {
	Unlendable []UnlendableLine
	Taken      []TakenLine
	// Next are the next periods in which all lines can be booked together.
	Next []FreePeriod
}

// UnlendableLine is a line of which nothing may be lent.
type UnlendableLine struct {
	Line   int
	Tools  []string
	Detail string
}

// TakenLine is a line that is taken in the period asked for.
type TakenLine struct {
	Line     int
	Tools    []string
	Asked    Period
	FreeFrom *time.Time // when it is free for as long; nil when not within reach
	Detail   string
}

// alternatives is how many next periods a refusal offers.
const alternatives = 5

// taken finds out when the lines of asks that were not chosen are free, and
// when all are. The next periods are the whole order moved by whole days
// at the same time of the clock of each tool's garage (days stay from opening to closing), so lines with
// times of their own keep their pattern. resolve resolves what is asked for.
func (o *basis) taken(ctx context.Context, tx *postgres.Tx, asks []ask, chosen []int, resolve resolver) (Refusal, error) {
	var ids []uuid.UUID
	var from time.Time
	for _, a := range asks {
		for _, option := range a.options {
			ids = append(ids, option.tool.ID)
			if from.IsZero() || option.held.From.Before(from) {
				from = option.held.From
			}
		}
	}
	reach := tx.Now.Add(farthest)
	var rows *postgres.Rows[heldRow]
	err := tx.Send(ctx, func(b *postgres.Batch) {
		// Served by booking_ahead and booking_out.
		rows = postgres.Query[heldRow](b, `
			select tool_id, lower(held) as held_from, upper(held) as held_until, upper(period) as ends, state, reservation_id as booking, line from booking
			where club_id = $1 and tool_id = any($2) and state not in ('cancelled', 'lost') and held_until > $3 and held && tstzrange($3, $4)
			union
			select tool_id, lower(held), upper(held), upper(period), state, reservation_id, line from booking
			where club_id = $1 and tool_id = any($2) and state = 'out'`,
			b.Club, ids, from, reach.Add(longestTurnaround+longestTravel))
	})
	if err != nil {
		return Refusal{}, err
	}
	busy := o.promised(rows.Items, tx.Now)
	var out Refusal
	for i, a := range asks {
		if chosen[i] < 0 {
			out.Taken = append(out.Taken, takenLine(a, busy, reach))
		}
	}
	out.Next = next(busy, resolve, tx.Now)
	return out, nil
}

func takenLine(a ask, busy promises, reach time.Time) TakenLine {
	first := a.options[0]
	line := TakenLine{Line: a.line, Asked: first.period}
	var freest option
	for _, option := range a.options {
		line.Tools = append(line.Tools, option.tool.Number)
		at := option.freeFrom(busy[option.tool.ID])
		if at.Add(option.period.Until.Sub(option.period.From)).After(reach) {
			continue
		}
		if line.FreeFrom == nil || at.Before(*line.FreeFrom) {
			line.FreeFrom, freest = &at, option
		}
	}
	zone := first.place.Zone
	asked := fmt.Sprintf("from %s until %s", inWords(first.period.From, zone), inWords(first.period.Until, zone))
	switch {
	case freest.tool == nil:
		line.Detail = fmt.Sprintf("%s is taken %s, and not free for as long within the next 400 days.", a.name, asked)
	case line.FreeFrom.Equal(first.period.From):
		// It is free by itself, but not beside the other lines of its model.
		line.Detail = fmt.Sprintf("%s: the club has not enough of them free %s for all lines that ask for one.", a.name, asked)
		line.FreeFrom = nil
	case a.isModel:
		line.Detail = fmt.Sprintf("Every %s is taken %s; %s is free from %s.", a.name, asked, freest.tool.Number, inWords(*line.FreeFrom, freest.place.Zone))
	default:
		line.Detail = fmt.Sprintf("%s is taken %s; it is free from %s.", a.name, asked, inWords(*line.FreeFrom, freest.place.Zone))
	}
	return line
}

// freeFrom is the earliest time from the option's own on at which its tool is
// free for as long and handed out. held is in order.
func (o option) freeFrom(held []Period) time.Time {
	before, long := o.period.From.Sub(o.held.From), o.held.Until.Sub(o.held.From)
	at := o.held.From
	for again := true; again; {
		again = false
		for _, h := range held {
			if (Period{From: at, Until: at.Add(long)}).overlaps(h) {
				at = h.Until
			}
		}
		if o.place != nil {
			if opens, ok := o.place.Next(at.Add(before)); ok && opens.After(at.Add(before)) {
				at, again = opens.Add(-before), true
			}
		}
	}
	return at.Add(before).UTC()
}

// next finds the next days on which all that resolve resolves can be booked.
func next(busy promises, resolve resolver, now time.Time) []FreePeriod {
	var out []FreePeriod
	for shift := 1; len(out) < alternatives && shift <= int(farthest/day); shift++ {
		asks, faults := resolve(shift, now)
		if len(faults) > 0 || len(unlendable(asks)) > 0 {
			continue // too far ahead; or a change of the clock leaves nothing of a period on this one day
		}
		chosen := assign(asks, busy)
		if slices.Contains(chosen, -1) {
			continue
		}
		var p FreePeriod
		for i, a := range asks {
			option := a.options[chosen[i]]
			if p.From.IsZero() || option.period.From.Before(p.From) {
				p.From = option.period.From
			}
			if option.period.Until.After(p.Until) {
				p.Until = option.period.Until
			}
			if !slices.Contains(p.Tools, option.tool.Number) {
				p.Tools = append(p.Tools, option.tool.Number)
			}
		}
		slices.Sort(p.Tools)
		p.zone = asks[0].options[chosen[0]].place.Zone
		out = append(out, p)
	}
	return out
}

// unforeseen is the refusal when the database finds an overlap that was not
// there a moment before.
func unforeseen(asks []ask, chosen []int) Refusal {
	var out Refusal
	for i, a := range asks {
		option := a.options[chosen[i]]
		out.Taken = append(out.Taken, TakenLine{Line: a.line, Tools: []string{option.tool.Number}, Asked: option.period,
			Detail: fmt.Sprintf("%s, or another line of this request, was taken by somebody else this moment; send the request again to see what is free.", option.tool.Number)})
	}
	return out
}
