package api

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tariff"
)

// seesMoneyOf allows members what is their own, and who looks after the books
// everything; to others it is not there.
func (in *call) seesMoneyOf(members ...uuid.UUID) error {
	for _, m := range members {
		if m == in.caller.MemberID {
			return nil
		}
	}
	if in.caller.Has("treasurer", "officer", "auditor") {
		return nil
	}
	return problem.Absent()
}

func chargePartOut(currency string) func(p tariff.Part) ChargePart {
	return func(p tariff.Part) ChargePart {
		return ChargePart{Part: ChargePartPart(p.Name), Amount: moneyOut(p.Minor, currency), Detail: p.Detail}
	}
}

func quoteOut(q tariff.Quote) Quote {
	total, deposit := q.Total()
	out := Quote{Id: q.ID, MemberId: q.MemberID, Member: q.Member, ReservationId: q.ReservationID, QuotedAt: q.QuotedAt.UTC(), ByMember: q.ByMember, Total: moneyOut(total, q.Currency),
		Deposit: moneyOut(deposit, q.Currency), Lines: []QuoteLine{}}
	out.Summary = fmt.Sprintf("%s in all.", out.Total.Text)
	if deposit > 0 {
		out.Summary = fmt.Sprintf("%s in all, and a deposit of %s that is given back.", out.Total.Text, out.Deposit.Text)
	}
	for _, l := range q.Lines {
		r := l.Reckoned
		line := QuoteLine{Line: l.Line, ToolId: l.ToolID, Tool: present(l.Tool), ToolModelId: l.ModelID, ToolModel: l.Model, Period: Period{From: l.Starts.UTC(), Until: l.Ends.UTC()},
			ExpectedUses: r.Units, Unit: ChargedUnit(r.Unit), RulesEdition: r.RuleNumber, CostsEdition: r.CostNumber, Parts: each(r.Parts(q.Currency, ""), chargePartOut(q.Currency)), Total: moneyOut(r.Total(), q.Currency)}
		if l.DepositMinor != nil {
			line.Deposit = pointerTo(moneyOut(*l.DepositMinor, q.Currency))
		}
		if r.LateFee > 0 && r.Exempt == "" {
			late, _, _ := strings.Cut(tariff.Rules{LateMinor: r.LateFee, LateMostMinor: r.LateMost, LateGraceDays: r.GraceDays}.Summary(q.Currency), ". ")
			line.Late = pointerTo(strings.TrimSuffix(late, ".") + ".")
		}
		out.Lines = append(out.Lines, line)
	}
	return out
}

// asking is a request for a quote, with what is wrong with it.
type asking struct {
	body   QuoteIn
	faults []problem.Fault
	wishes []tariff.Wish
}

func (a *asking) fault(detail, pointer string, args ...any) {
	a.faults = append(a.faults, problem.Fault{Pointer: fmt.Sprintf(pointer, args...), Detail: detail})
}

// read checks what the contract cannot.
func (a *asking) read() {
	if a.body.Reservation != nil {
		for i, l := range a.body.Lines {
			if l.Line == nil {
				a.fault("is needed: which line of the reservation it is", "/lines/%d/line", i)
			}
			if l.Tool != nil || l.ToolModel != nil || l.Period != nil {
				a.fault("give `line` and `expected_uses` only; tools and times are the reservation's", "/lines/%d", i)
			}
		}
		if a.body.Member != nil || a.body.Period != nil {
			a.fault("leave member and period out; they are the reservation's", "/reservation")
		}
		return
	}
	if len(a.body.Lines) == 0 {
		a.fault("name a tool or a tool model, or give `reservation`", "/lines")
	}
	for i, l := range a.body.Lines {
		if (l.Tool == nil) == (l.ToolModel == nil) {
			a.fault("give either `tool` or `tool_model`", "/lines/%d", i)
		}
		if l.Line != nil {
			a.fault("goes with `reservation` only", "/lines/%d/line", i)
		}
		p, at := l.Period, fmt.Sprintf("/lines/%d/period", i)
		if p == nil {
			p, at = a.body.Period, "/period"
		}
		w := tariff.Wish{}
		switch {
		case p == nil:
			a.fault("is needed, here or for all lines together", "/lines/%d/period", i)
		case !p.Until.After(p.From):
			a.fault("must be after from", "%s/until", at)
		case p.Until.Sub(p.From) > 400*24*time.Hour:
			a.fault("is more than 400 days after from; give an earlier one", "%s/until", at)
		default:
			w.Starts, w.Ends = p.From, p.Until
		}
		ref := func(text *Ref) *postgres.Ref {
			if text == nil {
				return nil
			}
			return pointerTo(postgres.ParseRef(*text))
		}
		w.Tool, w.Model = ref(l.Tool), ref(l.ToolModel)
		a.wishes = append(a.wishes, w)
	}
}

// lines are the lines of the quote that the facts make.
func (a *asking) lines(facts []tariff.Facts) ([]tariff.Quoted, error) {
	expected := map[int]int64{}
	at := map[int]int{} // where the request names a line
	for i, l := range a.body.Lines {
		n := or(l.Line, i)
		if _, twice := at[n]; twice {
			a.fault("stands in the list already; name each line once", "/lines/%d/line", i)
		}
		at[n], expected[n] = i, int64(l.ExpectedUses)
	}
	var out []tariff.Quoted
	for _, f := range facts {
		q, err := f.Expect(expected[f.Line])
		if err != nil {
			return nil, err
		}
		out = append(out, q)
		delete(at, f.Line)
	}
	for n, i := range at {
		switch l := a.body.Lines[i]; {
		case l.Line != nil:
			a.fault(fmt.Sprintf("the reservation has no line %d that was not cancelled; GET it to see its lines", n), "/lines/%d/line", i)
		case l.Tool != nil:
			a.fault("there is no “"+*l.Tool+"” in this club; check the number, or GET tools", "/lines/%d/tool", i)
		case l.ToolModel != nil:
			a.fault("there is no “"+*l.ToolModel+"” in this club; check the code, or GET tool-models", "/lines/%d/tool_model", i)
		}
	}
	return out, orInvalid(nil, a.faults)
}

// CreateQuote implements the contract.
func (s *Server) CreateQuote(c echo.Context, _ InClub, _ CreateQuoteParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		a := &asking{body: decode[QuoteIn](in)}
		a.read()
		q := tariff.Quote{ReservationID: a.body.Reservation}
		var who *postgres.Rows[club.Member]
		var facts *postgres.Rows[tariff.Facts]
		if a.body.Reservation != nil {
			facts = tariff.FactsOfReservation(b, *a.body.Reservation)
		} else if a.body.Member != nil {
			who = club.FindMember(b, postgres.ParseRef(*a.body.Member))
			facts = tariff.FactsOfWishes(b, tariff.Named(postgres.ParseRef(*a.body.Member)), a.wishes)
		} else {
			who = club.FindHolder(b, in.bearer.Holder(), in.bearer.Key())
			facts = tariff.FactsOfWishes(b, tariff.Holding(in.bearer.Holder(), in.bearer.Key()), a.wishes)
		}
		return func(tx *postgres.Tx) (answer, error) {
			q.ByMember, q.Currency = in.caller.MemberID, in.caller.Currency
			if who != nil {
				m, err := who.OneOf("/member", or(a.body.Member, ""), func(m club.Member) string { return m.Number })
				if err != nil {
					return answer{}, together(orInvalid(nil, a.faults), err)
				}
				q.MemberID, q.Member = m.ID, m.Number
			} else if len(facts.Items) > 0 {
				q.MemberID, q.Member = facts.Items[0].MemberID, facts.Items[0].Member
			}
			mine := q.MemberID == in.caller.MemberID || in.caller.Has("treasurer", "tool_keeper", "officer")
			switch {
			case a.body.Reservation != nil && (len(facts.Items) == 0 || !mine):
				a.fault("there is no such reservation of yours with lines that were not cancelled; GET reservations to see them", "/reservation")
			case !mine:
				return answer{}, problem.New(problem.MissingRole, "Members ask for themselves; leave `member` out. Treasurers, tool keepers and officers ask for others.")
			}
			lines, err := a.lines(facts.Items)
			if err != nil {
				return answer{}, err
			}
			q.Lines = lines
			q = q.Keep(tx)
			return created(in.path("quotes", q.ID.String()), quoteOut(q)), nil
		}
	})
}

// ListQuotes implements the contract.
func (s *Server) ListQuotes(c echo.Context, _ InClub, params ListQuotesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		own := tariff.Holding(in.bearer.Holder(), in.bearer.Key())
		var who *postgres.Rows[club.Member]
		if params.Member != nil {
			who = club.FindMember(b, postgres.ParseRef(*params.Member))
			own = tariff.Named(postgres.ParseRef(*params.Member))
		}
		found, all := tariff.ListQuotesFor(b, own, in.pageID(p), p.limit+1), tariff.ListQuotes(b, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if who != nil && (len(who.Items) == 0 || in.seesMoneyOf(who.Items[0].ID) != nil) {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?member", Detail: "there is no such member whose quotes you see; leave it out for your own"})
			}
			if who == nil && in.caller.Has("treasurer", "officer", "auditor") {
				found = all
			}
			items, next := cut(in, p, found.Items(), func(q tariff.Quote) []string { return []string{q.ID.String()} })
			return in.listed(QuotePage{Items: each(items, quoteOut), Next: next}, next), nil
		}
	})
}

// GetQuote implements the contract.
func (s *Server) GetQuote(c echo.Context, _ InClub, id InQuote) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := tariff.FindQuote(b, id)
		return func() (answer, error) {
			for _, q := range found.Items() {
				return ok(quoteOut(q)), in.seesMoneyOf(q.MemberID, q.ByMember)
			}
			return answer{}, problem.Absent()
		}
	})
}
