package api

import (
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func periodOut(p lending.Period) Period { return Period{From: p.From, Until: p.Until} }

func reservationOut(r lending.Reservation) Reservation {
	state := ReservationState("reserved")
	if r.CancelledAt != nil {
		state = "cancelled"
	}
	return Reservation{Id: r.ID, MemberId: r.MemberID, State: state, Purpose: present(r.Purpose), Recommendation: r.RecommendationID,
		CreatedAt: r.CreatedAt, CancelledAt: r.CancelledAt, CancelReason: present(r.CancelReason), Version: r.Version,
		Lines: each(r.Lines, func(b lending.Booking) ReservationLine {
			return ReservationLine{ToolId: b.ToolID, ToolNumber: b.ToolNumber, ToolModel: b.ToolModel, Period: periodOut(b.Period), Held: periodOut(b.Held),
				State: ReservationLineState(b.State), Caution: present(b.Caution)}
		})}
}

func whenIn(period *PeriodIn, days *DaysIn) lending.When {
	var w lending.When
	if period != nil {
		w.Period = &lending.Period{From: period.From, Until: period.Until}
	}
	if days != nil {
		w.Days = &lending.Days{First: days.First.Time, Last: days.Last.Time}
	}
	return w
}

func wishIn(body ReservationIn) lending.Wish {
	return lending.Wish{Common: whenIn(body.Period, body.Days), Purpose: or(body.Purpose, ""), Recommendation: body.Recommendation,
		Lines: each(body.Lines, func(l ReservationLineIn) lending.Line {
			return lending.Line{Tool: or(l.Tool, ""), Model: or(l.ToolModel, ""), When: whenIn(l.Period, l.Days)}
		})}
}

// refusalProblem tells why nothing was booked.
func refusalProblem(r lending.Refusal) *problem.Error {
	if len(r.Unlendable) > 0 {
		lines := each(r.Unlendable, func(l lending.UnlendableLine) NotLendableLine {
			return NotLendableLine{Line: l.Line, Tools: append([]Code{}, l.Tools...), Detail: l.Detail}
		})
		return &problem.Error{Kind: problem.NotLendable, Members: map[string]any{"not_lendable": lines},
			Detail: "Nothing was booked. " + strings.Join(each(lines, func(l NotLendableLine) string { return l.Detail }), " ")}
	}
	lines := each(r.Taken, func(l lending.TakenLine) TakenLine {
		return TakenLine{Line: l.Line, Tools: l.Tools, Asked: periodOut(l.Asked), FreeFrom: l.FreeFrom, Detail: l.Detail}
	})
	detail := "Nothing was booked. " + strings.Join(each(lines, func(l TakenLine) string { return l.Detail }), " ")
	if len(r.Next) > 0 {
		detail += " Everything asked for is free together " + r.Next[0].InWords() + "; send the request again with that time, or another of `next_common_free`."
	}
	return &problem.Error{Kind: problem.ToolTaken, Detail: detail, Members: map[string]any{"taken": lines, "next_common_free": each(r.Next, freePeriodOut)}}
}

// ListReservations implements the contract.
func (s *Server) ListReservations(c echo.Context, _ InClub, params ListReservationsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		member, number := or(params.Member, ""), or(params.Tool, "")
		var who *postgres.Rows[club.Member]
		var what *postgres.Rows[tool.Tool]
		if member != "" {
			who = club.FindMember(b, postgres.ParseRef(member))
		}
		if number != "" {
			what = tool.Find(b, postgres.ParseRef(number))
		}
		found := lending.List(b, lending.Filter{Member: member, Tool: number}, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if who != nil && len(who.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?member", Detail: "there is no such member in this club; check the number, or GET members"})
			}
			if what != nil && len(what.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?tool", Detail: "there is no such tool in this club; check the number, or GET tools"})
			}
			items, next := cut(in, p, found.Items(), func(r lending.Reservation) []string { return []string{r.ID.String()} })
			return in.listed(ReservationPage{Items: each(items, reservationOut), Next: next}, next), nil
		}
	})
}

// CreateReservation implements the contract.
func (s *Server) CreateReservation(c echo.Context, _ InClub, _ CreateReservationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ReservationIn](in)
		wish := wishIn(body)
		// The next whole quarter of an hour, so that the period reads well.
		wish.NextFree, wish.Now = time.Duration(or(body.NextFreeHours, 0))*time.Hour, in.now.Truncate(15*time.Minute).Add(15*time.Minute)
		order := lending.Lock(b, wish)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := order.Book(in.ctx, tx, lending.Booker{ID: newID(), Member: in.caller.MemberID,
				Turnaround: time.Duration(in.caller.Turnaround) * time.Hour, Refuse: refusalProblem})
			if err != nil {
				return answer{}, err
			}
			return created(in.path("reservations", r.ID.String()), reservationOut(r)).versioned(r.Version, in.caller.Units), nil
		}
	})
}

// GetReservation implements the contract.
func (s *Server) GetReservation(c echo.Context, _ InClub, reservation InReservation, _ GetReservationParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := lending.Find(b, reservation)
		return func() (answer, error) {
			r, err := found.One()
			return ok(reservationOut(r)).versioned(r.Version, in.caller.Units), err
		}
	})
}

// CancelReservation implements the contract.
func (s *Server) CancelReservation(c echo.Context, _ InClub, reservation InReservation, _ CancelReservationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[CancelIn](in)
		found := lending.LockReservation(b, reservation)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := found.One()
			if err != nil {
				return answer{}, err
			}
			if r.MemberID != in.caller.MemberID && !in.caller.Has("tool_keeper", "officer") {
				return answer{}, problem.New(problem.MissingRole, "This is another member's reservation; a tool keeper or an officer can cancel it. Ask one of them, or its member.")
			}
			if r, err = lending.Cancel(tx, in.caller.MemberID, r, or(body.Reason, ""), or(body.OccurredAt, tx.Now)); err != nil {
				return answer{}, err
			}
			return ok(reservationOut(r)).versioned(r.Version, in.caller.Units), nil
		}
	})
}
