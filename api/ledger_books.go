package api

import (
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// ListLedgerAccounts implements the contract.
func (s *Server) ListLedgerAccounts(c echo.Context, _ InClub, _ ListLedgerAccountsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		after, err := uuid.Parse(p.key(1, uuid.Nil.String()))
		if err != nil {
			in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; use `next` as it stands in a page"})
		}
		rows := ledger.ListAccounts(b, p.key(0, ""), after, p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(a ledger.Account) []string { return []string{a.Kind, a.Of().String()} })
			return in.listed(LedgerAccountPage{Items: each(items, func(a ledger.Account) LedgerAccount {
				return LedgerAccount{Account: LedgerAccountAccount(a.Kind), MemberId: a.MemberID, Member: present(a.Member), ToolId: a.ToolID, Tool: present(a.Tool),
					Balance: moneyOut(a.Balance, a.Currency), Summary: a.Summary()}
			}), Next: next}, next), nil
		}
	})
}

func statementLineOut(l ledger.Line) StatementLine {
	out := StatementLine{EntryId: l.EntryID, Number: l.Number, BookedOn: openapi_types.Date{Time: l.BookedOn}, Kind: StatementLineKind(l.Kind), Tool: present(l.Tool), Note: present(l.Note),
		Amount: moneyOut(l.Minor, l.Currency), Owed: moneyOut(l.Balance, l.Currency), Reverses: l.Reverses, Summary: l.Summary()}
	if l.Reason != "" {
		out.Reason = pointerTo(StatementLineReason(l.Reason))
	}
	return out
}

// GetStatement implements the contract.
func (s *Server) GetStatement(c echo.Context, _ InClub, member InMember, _ GetStatementParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		ref := postgres.ParseRef(member)
		who := club.FindMember(b, ref)
		accounts, rows := ledger.AccountsOf(b, ref), ledger.Statement(b, ref, in.pageNumber(p), p.limit+1)
		return func() (answer, error) {
			m, err := who.One()
			if err != nil {
				return answer{}, err
			}
			if m.ID != in.caller.MemberID && !in.caller.Has("treasurer", "officer", "auditor") {
				return answer{}, problem.New(problem.MissingRole, "This is another member's statement; they, treasurers, officers and auditors see it. Ask one of them.")
			}
			var owes, held int64
			for _, a := range accounts.Items {
				if a.Kind == "member" {
					owes = a.Balance
				} else {
					held = -a.Balance
				}
			}
			currency := in.caller.Currency
			items, next := cut(in, p, rows.Items, func(l ledger.Line) []string { return []string{strconv.FormatInt(l.Number, 10)} })
			return in.listed(StatementPage{Items: each(items, statementLineOut), Next: next, Owed: moneyOut(owes, currency), DepositHeld: moneyOut(held, currency),
				Summary: ledger.Owes("Member "+m.Number, owes, currency) + "."}, next), nil
		}
	})
}

func closingOut(k ledger.Closing) Closing {
	return Closing{Id: k.ID, ClosedUntil: openapi_types.Date{Time: k.ClosedUntil}, Note: present(k.Note), ByMember: k.MemberID, RecordedAt: k.RecordedAt.UTC()}
}

// ListClosings implements the contract.
func (s *Server) ListClosings(c echo.Context, _ InClub, _ ListClosingsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		before, err := time.Parse(time.DateOnly, p.key(0, "9999-12-31"))
		if err != nil {
			in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; use `next` as it stands in a page"})
		}
		rows := ledger.ListClosings(b, before, p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(k ledger.Closing) []string { return []string{k.ClosedUntil.Format(time.DateOnly)} })
			return in.listed(ClosingPage{Items: each(items, closingOut), Next: next}, next), nil
		}
	})
}

// CreateClosing implements the contract.
func (s *Server) CreateClosing(c echo.Context, _ InClub, _ CreateClosingParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ClosingIn](in)
		books := ledger.LockBooks(b)
		return func(tx *postgres.Tx) (answer, error) {
			if body.ClosedUntil.After(tx.Now) {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "/closed_until", Detail: "is still to come; close the books when the day is over"})
			}
			k := ledger.Closing{ID: newID(), ClosedUntil: body.ClosedUntil.Time, Note: or(body.Note, ""), MemberID: in.caller.MemberID, RecordedAt: tx.Now.UTC().Truncate(time.Microsecond)}
			if err := ledger.Close(tx, ledger.Of(books), k); err != nil {
				return answer{}, err
			}
			return created("", closingOut(k)), nil
		}
	})
}
