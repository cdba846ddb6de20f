package api

import (
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func periodOut(p lending.Period) Period { return Period{From: p.From, Until: p.Until} }

func lineOut(b lending.Booking, currency string) ReservationLine {
	out := ReservationLine{Line: b.Line, ToolId: b.ToolID, ToolNumber: b.ToolNumber, ToolModel: b.ToolModel, AnyOfModel: b.AskedModelID != nil, Exactly: b.Exactly,
		Period: periodOut(b.Period), Held: periodOut(b.Held), GarageId: b.CollectedID, Garage: b.CollectedAt, KitId: b.KitID, Kit: present(b.Kit),
		Choice: b.Choice, DecideBy: b.DecideBy, State: ReservationLineState(b.State), EndangeredAt: b.EndangeredAt, Caution: present(b.Caution)}
	if b.Endangered != "" {
		out.Endangered = pointerTo(ReservationLineEndangered(b.Endangered))
	}
	if b.DepositMinor != nil {
		out.Deposit = pointerTo(moneyOut(*b.DepositMinor, currency))
	}
	return out
}

func reservationOut(r lending.Reservation, currency string) Reservation {
	out := Reservation{Id: r.ID, MemberId: r.MemberID, State: ReservationState(r.State()), Approval: ReservationApproval(r.Approval), OfferUntil: r.OfferUntil, WalkIn: r.WalkIn,
		Purpose: present(r.Purpose), Recommendation: r.RecommendationID, CreatedAt: r.CreatedAt, ChangedAt: r.ChangedAt, CancelledAt: r.CancelledAt,
		CancelReason: present(r.CancelReason), Summary: r.Summary(), Version: r.Version,
		Lines: each(r.Lines, func(b lending.Booking) ReservationLine { return lineOut(b, currency) })}
	if deposit := r.DepositMinor(); deposit > 0 {
		out.Deposit = pointerTo(moneyOut(deposit, currency))
	}
	return out
}

// reserved answers with r.
func (in *call) reserved(r lending.Reservation) answer {
	return ok(reservationOut(r, in.caller.Currency)).versioned(r.Version, in.caller.Units)
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
	return lending.Wish{Common: whenIn(body.Period, body.Days), Garage: or(body.Garage, ""), Purpose: or(body.Purpose, ""), Recommendation: body.Recommendation,
		Lines: each(body.Lines, func(l ReservationLineIn) lending.Line {
			line := lending.Line{Tool: or(l.Tool, ""), Model: or(l.ToolModel, ""), Kit: or(l.Kit, ""), DecideBy: l.DecideBy, Garage: or(l.Garage, ""), Exactly: or(l.Exactly, false),
				Bore: nanometres(l.Bore), When: whenIn(l.Period, l.Days)}
			if l.OneOf != nil {
				line.OneOf = each(*l.OneOf, func(one ChoiceIn) lending.Line {
					return lending.Line{Tool: or(one.Tool, ""), Model: or(one.ToolModel, ""), Bore: nanometres(one.Bore)}
				})
			}
			return line
		})}
}

func changeIn(body ReservationChangeIn, now time.Time) lending.Change {
	return lending.Change{Common: whenIn(body.Period, body.Days), Garage: or(body.Garage, ""), Now: now,
		Lines: each(or(body.Lines, nil), func(l LineChangeIn) lending.LineChange {
			return lending.LineChange{Line: l.Line, Garage: or(l.Garage, ""), When: whenIn(l.Period, l.Days)}
		})}
}

// booker is by which rule the caller books.
func (in *call) booker(id uuid.UUID) lending.Booker {
	return lending.Booker{ID: id, Turnaround: time.Duration(in.caller.Turnaround) * time.Hour, Refuse: refusalProblem}
}

// mayTouch refuses whoever has nothing to do with r.
func (in *call) mayTouch(r lending.Reservation, what string) error {
	if r.MemberID != in.caller.MemberID && !in.caller.Has("tool_keeper", "officer") {
		return problem.New(problem.MissingRole, "This is another member's reservation; a tool keeper or an officer can %s it. Ask one of them, or its member.", what)
	}
	return nil
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
			return in.listed(ReservationPage{Items: each(items, func(r lending.Reservation) Reservation { return reservationOut(r, in.caller.Currency) }), Next: next}, next), nil
		}
	})
}

// CreateReservation implements the contract.
func (s *Server) CreateReservation(c echo.Context, _ InClub, _ CreateReservationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ReservationIn](in)
		wish := wishIn(body)
		wish.NextFree, wish.Now = time.Duration(or(body.NextFreeHours, 0))*time.Hour, in.now
		if wish.NextFree > 0 { // the next whole quarter of an hour, so that the period reads well
			wish.Now = in.now.Truncate(15 * time.Minute).Add(15 * time.Minute)
		}
		order := lending.Lock(b, lending.Holder(in.bearer.Holder(), in.bearer.Key()), wish)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := order.Book(in.ctx, tx, in.booker(newID()))
			if err != nil {
				return answer{}, err
			}
			return created(in.path("reservations", r.ID.String()), reservationOut(r, in.caller.Currency)).versioned(r.Version, in.caller.Units), nil
		}
	})
}

// GetReservation implements the contract.
func (s *Server) GetReservation(c echo.Context, _ InClub, reservation InReservation, _ GetReservationParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := lending.Find(b, reservation)
		return func() (answer, error) {
			r, err := found.One()
			return in.reserved(r), err
		}
	})
}

// onReservation is a write on a reservation whose tools are locked.
func (s *Server) onReservation(c echo.Context, id uuid.UUID, act func(in *call, tx *postgres.Tx, r lending.Reservation) (lending.Reservation, error)) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		found := lending.LockReservation(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := found.One()
			if err == nil {
				r, err = act(in, tx, r)
			}
			if err == nil {
				err = in.fault // of the body, which act has read
			}
			if err != nil {
				return answer{}, err
			}
			return in.reserved(r), nil
		}
	})
}

// CancelReservation implements the contract.
func (s *Server) CancelReservation(c echo.Context, _ InClub, reservation InReservation, _ CancelReservationParams) error {
	return s.onReservation(c, reservation, func(in *call, tx *postgres.Tx, r lending.Reservation) (lending.Reservation, error) {
		if err := in.mayTouch(r, "cancel"); err != nil {
			return r, err
		}
		body := decode[CancelIn](in)
		return lending.Cancel(tx, in.caller.MemberID, r, or(body.Reason, ""), or(body.OccurredAt, tx.Now))
	})
}

// ChangeReservation implements the contract.
func (s *Server) ChangeReservation(c echo.Context, _ InClub, reservation InReservation, _ ChangeReservationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		amendment := lending.LockForChange(b, reservation, changeIn(decode[ReservationChangeIn](in), in.now))
		return func(tx *postgres.Tx) (answer, error) {
			r, err := amendment.Reservation()
			if err == nil {
				err = in.mayTouch(r, "change")
			}
			if err == nil {
				r, err = amendment.Amend(in.ctx, tx, in.caller.MemberID, in.booker(r.ID))
			}
			if err != nil {
				return answer{}, err
			}
			return in.reserved(r), nil
		}
	})
}

// DecideReservation implements the contract.
func (s *Server) DecideReservation(c echo.Context, _ InClub, reservation InReservation, _ DecideReservationParams) error {
	return s.onReservation(c, reservation, func(in *call, tx *postgres.Tx, r lending.Reservation) (lending.Reservation, error) {
		if err := in.mayTouch(r, "decide"); err != nil {
			return r, err
		}
		body := decode[DecideIn](in)
		return lending.Decide(tx, in.caller.MemberID, r, body.Line, or(body.Tool, ""))
	})
}

// ApproveReservation implements the contract.
func (s *Server) ApproveReservation(c echo.Context, _ InClub, reservation InReservation, _ ApproveReservationParams) error {
	return s.onReservation(c, reservation, func(in *call, tx *postgres.Tx, r lending.Reservation) (lending.Reservation, error) {
		if r.MemberID == in.caller.MemberID && !in.caller.Has("officer") {
			return r, problem.New(problem.MissingRole, "This is your own reservation; another tool keeper or an officer approves it.")
		}
		return lending.Approve(tx, in.caller.MemberID, r)
	})
}

// DeclineReservation implements the contract.
func (s *Server) DeclineReservation(c echo.Context, _ InClub, reservation InReservation, _ DeclineReservationParams) error {
	return s.onReservation(c, reservation, func(in *call, tx *postgres.Tx, r lending.Reservation) (lending.Reservation, error) {
		return lending.Decline(tx, in.caller.MemberID, r, decode[DeclineIn](in).Reason)
	})
}
