package api

import (
	"fmt"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/waiting"
)

func waitingEntryOut(e waiting.Entry) WaitingEntry {
	out := WaitingEntry{Id: e.ID, MemberId: e.MemberID, JoinedBy: e.JoinedBy, JoinedAt: e.JoinedAt, Window: periodOut(e.Window), Hours: e.Hours, Days: e.Days,
		State: WaitingEntryState(e.State), ChangedAt: e.ChangedAt, Version: e.Version, Summary: waitingSummary(e, nil),
		Lines: each(e.Lines, func(l waiting.Line) WaitingLine {
			return WaitingLine{ToolId: l.ToolID, ToolModelId: l.ModelID, KitId: l.KitID, Label: l.Label}
		})}
	if o := e.Offer; o != nil {
		out.Offer = &WaitingOffer{ReservationId: o.ReservationID, Period: periodOut(o.Period), OfferedAt: o.OfferedAt, Until: o.Until, Outcome: WaitingOfferOutcome(o.Outcome)}
	}
	if e.State == waiting.Waiting && e.LookedAt != nil && e.Hindrance != "" {
		out.Hindrance = &WaitingHindrance{Code: e.Hindrance, Text: e.HindranceText, LookedAt: *e.LookedAt}
	}
	return out
}

// waitingEntryPlaced is e with its place in line, while it has one.
func waitingEntryPlaced(e waiting.Entry, ahead []waiting.Ahead) WaitingEntry {
	out := waitingEntryOut(e)
	if !e.IsOpen() {
		return out
	}
	place := WaitingPlace{Position: 1, Ahead: each(ahead, func(a waiting.Ahead) WaitingAhead {
		return WaitingAhead{Reason: WaitingAheadReason(a.Reason), Count: a.Count, Text: a.Text()}
	})}
	for _, a := range ahead {
		place.Position += a.Count
	}
	out.Place, out.Summary = &place, waitingSummary(e, &place)
	return out
}

// waitingSummary says in words how e stands.
func waitingSummary(e waiting.Entry, place *WaitingPlace) string {
	what := e.Needs()
	switch e.State {
	case waiting.Offered:
		return fmt.Sprintf("%s is offered from %s until %s; accept or decline by %s.", what, inUTC(e.Offer.Period.From), inUTC(e.Offer.Period.Until), inUTC(e.Offer.Until))
	case waiting.Taken:
		return what + " was offered and taken; see the reservation."
	case waiting.Declined:
		return "The offer of " + what + " was declined."
	case waiting.Lapsed:
		return "Two offers of " + what + " were not answered. Join again if it is still needed."
	case waiting.Left:
		return "Waits for " + what + " no longer."
	case waiting.Passed:
		return "Nothing became free in time for " + what + ". Join again with another window, or see availability."
	}
	parts := []string{"Waits for " + what + ", between " + inUTC(e.Window.From) + " and " + inUTC(e.Window.Until) + "."}
	if place != nil {
		parts = append(parts, fmt.Sprintf("Place %d in line.", place.Position))
		for _, a := range place.Ahead {
			parts = append(parts, a.Text)
		}
	}
	if e.HindranceText != "" {
		parts = append(parts, "When it was last tried: "+e.HindranceText)
	}
	return strings.Join(parts, " ")
}

func inUTC(t time.Time) string { return t.UTC().Format("Mon 2 Jan 2006 15:04") + " UTC" }

// ownWaiting refuses an entry of somebody else to who may not see it, as one that
// is not there.
func (in *call) ownWaiting(e waiting.Entry, err error, roles ...string) (waiting.Entry, error) {
	if err == nil && e.MemberID != in.caller.MemberID && !in.caller.Has(roles...) {
		return e, problem.Absent()
	}
	return e, err
}

// ListWaitingEntries implements the contract.
func (s *Server) ListWaitingEntries(c echo.Context, _ InClub, params ListWaitingEntriesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := waiting.Filter{Member: or(params.Member, ""), Tool: or(params.Tool, ""), Model: or(params.ToolModel, ""), State: string(or(params.State, ""))}
		missing := func() error { return nil }
		if f.Member != "" {
			rows := club.FindMember(b, postgres.ParseRef(f.Member))
			missing = andThen(missing, func() bool { return len(rows.Items) == 0 }, "?member", "there is no such member in this club; check the number, or GET members")
		}
		if f.Tool != "" {
			rows := tool.Find(b, postgres.ParseRef(f.Tool))
			missing = andThen(missing, func() bool { return len(rows.Items) == 0 }, "?tool", "there is no such tool in this club; check the number, or GET tools")
		}
		if f.Model != "" {
			rows := tool.FindModel(b, postgres.ParseRef(f.Model))
			missing = andThen(missing, func() bool { return len(rows.Items) == 0 }, "?tool_model", "there is no such tool model in this club; check the code, or GET tool-models")
		}
		found := waiting.List(b, in.bearer.Holder(), in.bearer.Key(), f, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if err := missing(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, found.Items(), func(e waiting.Entry) []string { return []string{e.ID.String()} })
			return in.listed(WaitingEntryPage{Items: each(items, waitingEntryOut), Next: next}, next), nil
		}
	})
}

// andThen is the check before, and then the fault at pointer where is holds.
func andThen(before func() error, is func() bool, pointer, detail string) func() error {
	return func() error {
		if err := before(); err != nil || !is() {
			return err
		}
		return problem.Invalid(problem.Fault{Pointer: pointer, Detail: detail})
	}
}

// GetWaitingEntry implements the contract.
func (s *Server) GetWaitingEntry(c echo.Context, _ InClub, entry InWaitingEntry) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found, ahead := waiting.Find(b, entry), waiting.AheadOf(b, entry)
		return func() (answer, error) {
			e, err := found.One()
			if e, err = in.ownWaiting(e, err, "tool_keeper", "officer", "auditor"); err != nil {
				return answer{}, err
			}
			return ok(waitingEntryPlaced(e, ahead.Items)), nil
		}
	})
}

// JoinWaitingList implements the contract.
func (s *Server) JoinWaitingList(c echo.Context, _ InClub, _ JoinWaitingListParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[WaitingEntryIn](in)
		who := waiting.Joiner{Holder: in.bearer.Holder(), Key: in.bearer.Key()}
		if body.Member != nil {
			ref := postgres.ParseRef(*body.Member)
			who.Named = &ref
		}
		joining := waiting.LookUp(b, who, waiting.Wish{From: or(body.Window.From, time.Time{}), Until: body.Window.Until, Hours: body.Hours, Days: body.Days,
			Lines: each(body.Lines, func(l WaitingLineIn) waiting.Asked {
				return waiting.Asked{Tool: or(l.Tool, ""), Model: or(l.ToolModel, ""), Kit: or(l.Kit, "")}
			})})
		return func(tx *postgres.Tx) (answer, error) {
			if member := joining.Member(); body.Member != nil && (member == nil || *member != in.caller.MemberID) && !in.caller.Has("tool_keeper", "officer") {
				return answer{}, problem.New(problem.MissingRole, "Only a tool keeper or an officer joins for others. Leave `member` out to join yourself.")
			}
			e, err := joining.Join(tx, in.caller.MemberID, newID())
			if err != nil {
				return answer{}, err
			}
			return created(in.path("waiting-list", e.ID.String()), waitingEntryOut(e)), nil
		}
	})
}

// answerWaiting is what leaving, accepting and declining have in common.
func (s *Server) answerWaiting(c echo.Context, entry InWaitingEntry, act func(in *call, tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error)) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		found := waiting.Lock(b, entry)
		return func(tx *postgres.Tx) (answer, error) {
			e, err := found.One()
			if e, err = in.ownWaiting(e, err, "tool_keeper", "officer"); err != nil {
				return answer{}, err
			}
			if e, err = act(in, tx, e); err != nil {
				return answer{}, err
			}
			return ok(waitingEntryOut(e)), nil
		}
	})
}

// LeaveWaitingList implements the contract.
func (s *Server) LeaveWaitingList(c echo.Context, _ InClub, entry InWaitingEntry, _ LeaveWaitingListParams) error {
	return s.answerWaiting(c, entry, func(in *call, tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Leave(in.ctx, tx, in.caller.MemberID, e)
	})
}

// AcceptWaitingOffer implements the contract.
func (s *Server) AcceptWaitingOffer(c echo.Context, _ InClub, entry InWaitingEntry, _ AcceptWaitingOfferParams) error {
	return s.answerWaiting(c, entry, func(in *call, tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Accept(in.ctx, tx, in.caller.MemberID, e)
	})
}

// DeclineWaitingOffer implements the contract.
func (s *Server) DeclineWaitingOffer(c echo.Context, _ InClub, entry InWaitingEntry, _ DeclineWaitingOfferParams) error {
	return s.answerWaiting(c, entry, func(in *call, tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Decline(in.ctx, tx, in.caller.MemberID, e, or(decode[WaitingDeclineIn](in).KeepWaiting, false))
	})
}
