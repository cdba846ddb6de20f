package api

import (
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/calc/money"
	"pinwright/internal/club"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func ledgerEntryOut(e ledger.Entry) LedgerEntry {
	out := LedgerEntry{Id: e.ID, Number: e.Number, BookedOn: openapi_types.Date{Time: e.BookedOn}, Kind: LedgerEntryKind(e.Kind), MemberId: e.MemberID, Member: present(e.Member),
		ToolId: e.ToolID, Tool: present(e.Tool), Amount: moneyOut(e.Minor, e.Currency), Note: present(e.Note), ByMember: e.ByMember, RecordedAt: e.RecordedAt.UTC(),
		Reverses: e.Reverses, ReversedBy: e.ReversedBy, Summary: e.Summary(), Postings: []LedgerPosting{}}
	if e.Reason != "" {
		out.Reason = pointerTo(LedgerEntryReason(e.Reason))
	}
	for _, p := range e.Postings {
		out.Postings = append(out.Postings, LedgerPosting{Account: LedgerPostingAccount(p.Account), MemberId: p.MemberID, ToolId: p.ToolID, Amount: moneyOut(p.Minor, e.Currency)})
	}
	return out
}

// told is what a request says of money: who, which tool, how much, when.
type told struct {
	in      *call
	intent  ledger.Intent
	member  string
	tool    string
	amount  AmountIn
	on      *openapi_types.Date
	note    *string
	members *postgres.Rows[club.Member]
	tools   *postgres.Rows[tool.Tool]
	books   *postgres.Rows[ledger.Books]
}

func (t *told) lookUp(b *postgres.Batch) {
	t.books = ledger.LockBooks(b)
	if t.member != "" {
		t.members = club.FindMember(b, postgres.ParseRef(t.member))
	}
	if t.tool != "" {
		t.tools = tool.Find(b, postgres.ParseRef(t.tool))
	}
}

// book writes what was told, with all that is wrong with it at once.
func (t *told) book(tx *postgres.Tx) (answer, error) {
	var faults []error
	i := t.intent
	var member, number string
	if t.members != nil {
		m, err := t.members.OneOf("/member", t.member, func(m club.Member) string { return m.Number })
		faults = append(faults, err)
		i.MemberID, member = &m.ID, m.Number
	}
	if t.tools != nil {
		found, err := t.tools.OneOf("/tool", t.tool, func(x tool.Tool) string { return x.Number })
		faults = append(faults, err)
		i.ToolID, number = &found.ID, found.Number
	}
	currency := t.in.caller.Currency
	if or(t.amount.Currency, currency) != currency {
		faults = append(faults, problem.Invalid(problem.Fault{Pointer: "/amount/currency", Detail: "this club reckons in " + currency + "; give the amount in that, or leave the currency out"}))
	}
	on, err := bookedOn(t.on, tx.Now)
	if err := together(append(faults, err)...); err != nil {
		return answer{}, err
	}
	i.Amount, i.On, i.Note = money.Amount{Minor: t.amount.Minor, Currency: money.Currency(currency)}, on, or(t.note, "")
	e, err := ledger.Book(tx, t.in.caller.MemberID, ledger.Of(t.books), i)
	e.Member, e.Tool = member, number
	return created(t.in.path("ledger", "entries", e.ID.String()), ledgerEntryOut(e)).versioned(e.Version(), t.in.caller.Units), err
}

// bookedOn is the day that was given, or today. What is to come is not booked.
func bookedOn(given *openapi_types.Date, now time.Time) (time.Time, error) {
	today := now.UTC().Truncate(24 * time.Hour)
	if given == nil {
		return today, nil
	}
	if given.After(today.AddDate(0, 0, 1)) { // it may be that day already somewhere
		return today, problem.Invalid(problem.Fault{Pointer: "/on", Detail: "is still to come; book it when it has happened"})
	}
	return given.Time, nil
}

func (s *Server) intent(c echo.Context, tell func(in *call) told) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		t := tell(in)
		t.in = in
		t.lookUp(b)
		return t.book
	})
}

// CreatePayment implements the contract.
func (s *Server) CreatePayment(c echo.Context, _ InClub, _ CreatePaymentParams) error {
	return s.intent(c, func(in *call) told {
		body := decode[PaymentIn](in)
		kind := ledger.Payment
		if body.To != nil && *body.To == "member" {
			kind = ledger.Repayment
		}
		return told{intent: ledger.Intent{Kind: kind}, member: body.Member, amount: body.Amount, on: body.On, note: body.Note}
	})
}

// CreateCharge implements the contract.
func (s *Server) CreateCharge(c echo.Context, _ InClub, _ CreateChargeParams) error {
	return s.intent(c, func(in *call) told {
		body := decode[ChargeIn](in)
		return told{intent: ledger.Intent{Kind: ledger.Charge, Reason: string(body.Reason)}, member: body.Member, tool: or(body.Tool, ""), amount: body.Amount, on: body.On, note: body.Note}
	})
}

// CreatePurchase implements the contract.
func (s *Server) CreatePurchase(c echo.Context, _ InClub, _ CreatePurchaseParams) error {
	return s.intent(c, func(in *call) told {
		body := decode[PurchaseIn](in)
		return told{intent: ledger.Intent{Kind: ledger.Purchase}, tool: or(body.Tool, ""), amount: body.Amount, on: body.On, note: body.Note}
	})
}

// CreateDeposit implements the contract.
func (s *Server) CreateDeposit(c echo.Context, _ InClub, _ CreateDepositParams) error {
	return s.intent(c, func(in *call) told {
		body := decode[DepositIn](in)
		return told{intent: ledger.Intent{Kind: "deposit_" + string(body.Act)}, member: body.Member, tool: or(body.Tool, ""), amount: body.Amount, on: body.On, note: body.Note}
	})
}

// ReverseLedgerEntry implements the contract.
func (s *Server) ReverseLedgerEntry(c echo.Context, _ InClub, entry uuid.UUID, _ ReverseLedgerEntryParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[EntryReversalIn](in)
		row, books := ledger.FindEntry(b, entry), ledger.LockBooks(b)
		return func(tx *postgres.Tx) (answer, error) {
			e, err := row.One()
			if err != nil {
				return answer{}, err
			}
			on, err := bookedOn(body.On, tx.Now)
			if err != nil {
				return answer{}, err
			}
			r, err := ledger.Reverse(tx, in.caller.MemberID, ledger.Of(books), e, on, body.Note)
			r.Member, r.Tool = e.Member, e.Tool
			return created(in.path("ledger", "entries", r.ID.String()), ledgerEntryOut(r)).versioned(r.Version(), in.caller.Units), err
		}
	})
}

// pageNumber is the number of an entry that a page continues behind.
func (in *call) pageNumber(p page) int64 {
	n, err := strconv.ParseInt(p.key(0, "9223372036854775807"), 10, 64)
	if err != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; use `next` as it stands in a page"})
	}
	return n
}

// ListLedgerEntries implements the contract.
func (s *Server) ListLedgerEntries(c echo.Context, _ InClub, params ListLedgerEntriesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := ledger.Filter{Member: or(params.Member, ""), Tool: or(params.Tool, "")}
		if params.Kind != nil {
			f.Kind = string(*params.Kind)
		}
		if params.From != nil {
			f.From = &params.From.Time
		}
		if params.Until != nil {
			f.Until = &params.Until.Time
		}
		rows := ledger.ListEntries(b, f, in.pageNumber(p), p.limit+1)
		var who *postgres.Rows[club.Member]
		var what *postgres.Rows[tool.Tool]
		if f.Member != "" {
			who = club.FindMember(b, postgres.ParseRef(f.Member))
		}
		if f.Tool != "" {
			what = tool.Find(b, postgres.ParseRef(f.Tool))
		}
		return func() (answer, error) {
			if who != nil && len(who.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?member", Detail: "there is no such member in this club; check the number, or GET members"})
			}
			if what != nil && len(what.Items) == 0 {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "?tool", Detail: "there is no such tool in this club; check the number, or GET tools"})
			}
			items, next := cut(in, p, rows.Items, func(e ledger.Entry) []string { return []string{strconv.FormatInt(e.Number, 10)} })
			return in.listed(LedgerEntryPage{Items: each(items, ledgerEntryOut), Next: next}, next), nil
		}
	})
}

// GetLedgerEntry implements the contract.
func (s *Server) GetLedgerEntry(c echo.Context, _ InClub, entry uuid.UUID, _ GetLedgerEntryParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := ledger.FindEntry(b, entry)
		return func() (answer, error) {
			e, err := row.One()
			return ok(ledgerEntryOut(e)).versioned(e.Version(), in.caller.Units), err
		}
	})
}
