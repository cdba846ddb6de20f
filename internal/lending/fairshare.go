package lending

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// ToolTime is how long tools are had, added up over the tools, in microseconds: a
// time.Duration would overflow with some hundred tools a year.
type ToolTime int64

// Hours is t in hours.
func (t ToolTime) Hours() float64 { return float64(t) / float64(time.Hour/time.Microsecond) }

// FairShare is how much of the tools of one model may be promised to one member:
// in any stretch as long as Over, at most Percent of 100 of Tools × Over.
type FairShare struct {
	Percent int
	Over    time.Duration
	Tools   int // of the model, in service
}

// Limit is the tool time that may be promised in any one stretch, rounded down to
// the microsecond.
func (s FairShare) Limit() ToolTime {
	return ToolTime(s.Over.Microseconds()) * ToolTime(s.Tools) / 100 * ToolTime(s.Percent)
}

// Most returns the greatest tool time that the periods have in any stretch as
// long as Over, and where the earliest such stretch begins. Several periods at
// once count each. As the stretch moves on, the time in it changes at a constant
// rate between the moments at which an end of it meets an end of a period, so the
// greatest is found where it begins with a period or ends with one. Without
// periods it returns zero.
func (s FairShare) Most(periods []Period) (most ToolTime, from time.Time) {
	try := func(at time.Time) {
		in := ToolTime(0)
		until := at.Add(s.Over)
		for _, p := range periods {
			a, b := p.From, p.Until
			if a.Before(at) {
				a = at
			}
			if b.After(until) {
				b = until
			}
			if b.After(a) {
				in += ToolTime(b.Sub(a).Microseconds())
			}
		}
		if in > most || in == most && in > 0 && at.Before(from) {
			most, from = in, at
		}
	}
	for _, p := range periods {
		try(p.From)
		try(p.Until.Add(-s.Over))
	}
	return most, from
}

// unfair measures chosen against the club's fair share.
func (w borrower) unfair(r Rules, chosen []option, left leaving, now time.Time) []Breach {
	if r.FairSharePercent == nil {
		return nil
	}
	free := time.Duration(r.FairShareFreeHours) * time.Hour
	others := slices.DeleteFunc(slices.Clone(w.promises.Items), func(p promise) bool { return left.has(p.Booking, p.Line) })
	counted := countedOf(others, free)
	asked := map[uuid.UUID]bool{}
	for _, o := range chosen {
		if o.period.From.After(now.Add(free)) {
			counted[o.tool.ModelID] = append(counted[o.tool.ModelID], o.period)
			asked[o.tool.ModelID] = true
		}
	}
	var out []Breach
	for _, m := range w.counts.Items {
		if asked[m.ModelID] {
			out = append(out, r.beyondShare(m, counted[m.ModelID])...)
		}
	}
	return out
}

// countedOf are the periods that count for fair share, by model: those that did
// not begin within the free time of being promised.
func countedOf(promises []promise, free time.Duration) map[uuid.UUID][]Period {
	counted := map[uuid.UUID][]Period{}
	for _, p := range promises {
		if p.Starts.After(p.Promised.Add(free)) {
			counted[p.ModelID] = append(counted[p.ModelID], Period{From: p.Starts, Until: p.Ends})
		}
	}
	return counted
}

// beyondShare measures what counts of a model against the share of one member.
func (r Rules) beyondShare(m modelCount, counted []Period) []Breach {
	share := FairShare{Percent: *r.FairSharePercent, Over: time.Duration(r.FairShareDays) * day, Tools: m.InService}
	most, at := share.Most(counted)
	limit := share.Limit()
	if most <= limit {
		return nil
	}
	return []Breach{{Rule: "fair_share", Limit: limit.Hours(), WouldBe: most.Hours(),
		Detail: fmt.Sprintf("In any %d days one member is promised %d %% of the club's %s at most, which is %s; in those from %s it would be %s. Ask for less, or wait: what begins within %d hours is anybody's.",
			r.FairShareDays, *r.FairSharePercent, m.Code, inToolHours(limit), at.UTC().Format("2 Jan 2006"), inToolHours(most), r.FairShareFreeHours)}}
}

// Share is what the club's fair share says to a member's loan that is to last
// longer; empty until its batch was sent.
type Share struct {
	borrower borrower
	rules    ClubRules
}

// FindShare queues what is needed of a member, who is locked, and of one model.
func FindShare(b *postgres.Batch, member, model uuid.UUID, now time.Time) *Share {
	s := &Share{rules: FindRules(b)}
	s.borrower.lookAround(b, Member(member), now)
	s.borrower.counts = postgres.Query[modelCount](b, `select id as model_id, code, (select count(*) from tool t where t.club_id = m.club_id and t.model_id = m.id and t.state = 'in_service')::integer as in_service
		from tool_model m where club_id = $1 and id = $2`, b.Club, model)
	return s
}

// Longer refuses that a line which is out lasts until then, where the member
// would have more than their share by it. A loan that began within the free time
// of being promised does not count, however long it lasts.
func (s *Share) Longer(reservation uuid.UUID, line int, until time.Time) error {
	r := s.rules.Get()
	if r.FairSharePercent == nil || len(s.borrower.counts.Items) == 0 {
		return nil
	}
	promises := slices.Clone(s.borrower.promises.Items)
	i := slices.IndexFunc(promises, func(p promise) bool { return p.Booking == reservation && p.Line == line })
	free := time.Duration(r.FairShareFreeHours) * time.Hour
	if i < 0 || !promises[i].Starts.After(promises[i].Promised.Add(free)) {
		return nil
	}
	promises[i].Ends = until
	m := s.borrower.counts.Items[0]
	return AgainstRules("The loan lasts as long as it did.", r.beyondShare(m, countedOf(promises, free)[m.ModelID]))
}
