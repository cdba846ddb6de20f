package api

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/bank"
	"pinwright/internal/calc/money"
	"pinwright/internal/club"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/sheet"
	"pinwright/internal/tool"
)

// bankFile is a file of a bank whose columns are known.
type bankFile struct {
	sheet   *sheet.Sheet
	columns bank.Columns
}

// mapBankFile finds the columns of the file of a valid request.
func mapBankFile(in *call) (any, error) {
	read, _ := in.value.(*sheet.Sheet)
	columns, faults := bank.Map(read, in.echo.QueryParams()["map"])
	if len(faults) > 0 {
		return nil, problem.Invalid(faults...)
	}
	return bankFile{read, columns}, nil
}

// proposer knows of whom the rows of a request may be.
type proposer struct {
	people *postgres.Rows[bank.Person]
	made   *postgres.Rows[bank.Made]
}

// proposerOf looks up what proposals for a row take, or for any open one.
func proposerOf(b *postgres.Batch, row *uuid.UUID) proposer {
	return proposer{bank.People(b), bank.MadeAbout(b, row)}
}

func (p proposer) of(m bank.Movement, currency string) []BankProposal {
	return each(bank.Propose(m, p.people.Items, p.made.Items), func(one bank.Proposal) BankProposal {
		out := BankProposal{Because: each(one.Because, func(why string) BankProposalBecause { return BankProposalBecause(why) }), Summary: one.Summary()}
		if one.Member != nil {
			out.MemberId, out.Member, out.Owes = &one.Member.ID, &one.Member.Number, pointerTo(moneyOut(one.Member.Owes, currency))
		}
		if one.Entry != nil {
			out.EntryId, out.Entry = &one.Entry.ID, &one.Entry.Number
		}
		return out
	})
}

func (p proposer) row(r bank.Row) BankRow {
	out := BankRow{Id: r.ID, StatementId: r.StatementID, Row: r.RowNumber, BookedOn: openapi_types.Date{Time: r.BookedOn}, Amount: moneyOut(r.Minor, r.Currency), Reference: present(r.Reference),
		Name: present(r.Name), State: BankRowState(r.State), EntryId: r.EntryID, Entry: r.EntryNumber, MemberId: r.MemberID, Member: present(r.Member), DecidedBy: r.DecidedBy,
		Proposals: []BankProposal{}, Version: r.Version, Summary: r.Summary()}
	if r.DecidedAt != nil {
		out.DecidedAt = pointerTo(r.DecidedAt.UTC())
	}
	if r.State == bank.Open && p.people != nil {
		out.Proposals = p.of(r.Movement(), r.Currency)
	}
	return out
}

// CreateBankStatement implements the contract.
func (s *Server) CreateBankStatement(c echo.Context, _ InClub, params CreateBankStatementParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		file, _ := in.value.(bankFile)
		// The club's currency is known with the caller; until then any does, since digests are made again.
		return func(tx *postgres.Tx) (answer, error) {
			currency := in.caller.Currency
			moves := file.columns.Read(file.sheet, bank.Written{Comma: params.Decimal == "comma", Days: string(params.Dates), Currency: currency, Today: in.now.UTC()})
			from, until := moves[0].On, moves[0].On
			digests := make([][]byte, len(moves))
			for i, m := range moves {
				digests[i] = m.Digest
				if len(m.Faults) == 0 {
					from, until = dayBefore(from, m.On), dayAfter(until, m.On)
				}
			}
			var known *postgres.Rows[bank.Row]
			var who proposer
			if err := tx.Send(in.ctx, func(b *postgres.Batch) {
				known, who = bank.Known(b, digests), proposer{bank.People(b), bank.MadeBetween(b, from, until)}
			}); err != nil {
				return answer{}, err
			}
			return s.keepBankFile(tx, in, file, moves, known.Items, who, or(params.DryRun, false), or(params.Partial, false))
		}
	})
}

func dayBefore(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

func dayAfter(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func (s *Server) keepBankFile(tx *postgres.Tx, in *call, file bankFile, moves []bank.Movement, known []bank.Row, who proposer, dry, partial bool) (answer, error) {
	before := map[string]bank.Row{}
	for _, r := range known {
		before[string(r.Digest)] = r
	}
	report := BankFileReport{DryRun: dry, RowsRead: len(moves), Columns: []BankColumn{}, Rows: make([]BankFileRow, len(moves)),
		Assumed: each(file.sheet.Assumed, func(a sheet.Assumption) Text { return Text{Code: a.Code, Text: a.Text} })}
	for _, field := range []string{"date", "amount", "paid_in", "paid_out", "reference", "name", "currency"} {
		if column := file.columns.Names[field]; column != "" {
			report.Columns = append(report.Columns, BankColumn{Column: column, Field: BankColumnField(field)})
		}
	}
	var news []bank.Movement
	var at []int // of the new rows
	for i, m := range moves {
		row := BankFileRow{Row: m.Row, Status: "created"}
		was, exists := before[string(m.Digest)]
		switch {
		case len(m.Faults) > 0:
			row.Status = "refused"
			row.Errors = pointerTo(each(m.Faults, func(f bank.Fault) ImportFault { return ImportFault{Column: present(f.Column), Detail: f.Detail} }))
			report.Refused++
		case exists:
			row.Status, row.BankRow = "exists", pointerTo(who.row(was))
			report.Existing++
		default:
			news, at = append(news, m), append(at, i)
			report.Created++
		}
		report.Rows[i] = row
	}
	report.Summary = bankSummary(report, partial)
	statement := bank.Statement{ID: newID(), MemberID: in.caller.MemberID, RecordedAt: in.now.UTC(), RowsRead: len(moves), Created: report.Created, Existing: report.Existing}
	refused := report.Refused > 0 && (!partial || report.Refused == len(moves))
	switch {
	case refused && !dry:
		return answer{}, &problem.Error{Kind: problem.RowsRefused, Detail: report.Summary + " `report` tells each with its column.", Members: map[string]any{"report": report}}
	case report.Created == 0:
		return ok(report), nil
	}
	for i, r := range bank.Add(tx, statement, in.caller.Currency, news) {
		report.Rows[at[i]].BankRow = pointerTo(who.row(r))
	}
	if dry {
		tx.Discard()
		for _, i := range at {
			report.Rows[i].BankRow = nil // it has no id yet
		}
		return ok(report), nil
	}
	report.Id = &statement.ID
	return created("", report), nil
}

func bankSummary(r BankFileReport, partial bool) string {
	var parts []string
	for _, p := range []struct {
		n    int
		what string
	}{{r.Created, "new"}, {r.Existing, "there already"}, {r.Refused, "to mend"}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.what))
		}
	}
	text := fmt.Sprintf("Rows of the bank: %s.", strings.Join(parts, ", "))
	switch {
	case r.Refused == 0:
	case partial && r.Refused < r.RowsRead:
		text += " The rows to mend are left out."
	default:
		text += " Nothing is taken while rows are to mend."
	}
	return text
}

// ListBankStatements implements the contract.
func (s *Server) ListBankStatements(c echo.Context, _ InClub, _ ListBankStatementsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := bank.ListStatements(b, in.before(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(x bank.Statement) []string { return []string{x.ID.String()} })
			return in.listed(BankStatementPage{Items: each(items, func(x bank.Statement) BankStatementListed {
				return BankStatementListed{Id: x.ID, MemberId: x.MemberID, RecordedAt: x.RecordedAt.UTC(), RowsRead: x.RowsRead, Created: x.Created, Existing: x.Existing}
			}), Next: next}, next), nil
		}
	})
}

// before is the id that a list of ids, newest first, continues behind.
func (in *call) before(p page) uuid.UUID {
	id, err := uuid.Parse(p.key(0, greatestID.String()))
	if err != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
	}
	return id
}

// ListBankRows implements the contract.
func (s *Server) ListBankRows(c echo.Context, _ InClub, params ListBankRowsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := bank.Filter{Statement: params.Statement}
		if params.State != nil {
			f.State = string(*params.State)
		}
		rows, who := bank.List(b, f, in.before(p), p.limit+1), proposerOf(b, nil)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(r bank.Row) []string { return []string{r.ID.String()} })
			return in.listed(BankRowPage{Items: each(items, who.row), Next: next}, next), nil
		}
	})
}

// GetBankRow implements the contract.
func (s *Server) GetBankRow(c echo.Context, _ InClub, id InBankRow) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row, who := bank.Find(b, id), proposerOf(b, &id)
		return func() (answer, error) {
			r, err := row.One()
			if err != nil {
				return answer{}, err
			}
			return ok(who.row(r)), nil
		}
	})
}

// AcceptBankRow implements the contract.
func (s *Server) AcceptBankRow(c echo.Context, _ InClub, id InBankRow, _ AcceptBankRowParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[BankRowDecisionIn](in)
		books, row := ledger.LockBooks(b), bank.Lock(b, id)
		var members *postgres.Rows[club.Member]
		var tools *postgres.Rows[tool.Tool]
		var entries *postgres.Rows[ledger.Entry]
		if body.Member != nil {
			members = club.FindMember(b, postgres.ParseRef(*body.Member))
		}
		if body.Tool != nil {
			tools = tool.Find(b, postgres.ParseRef(*body.Tool))
		}
		if body.Entry != nil {
			entries = ledger.FindEntry(b, *body.Entry)
		}
		return func(tx *postgres.Tx) (answer, error) {
			r, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := heldToRow(r, body); err != nil {
				return answer{}, err
			}
			if r.State != bank.Open {
				return answer{}, problem.New(problem.NotAllowedNow, "Somebody said what this row is already: %s Open it again first, if that was wrong.", r.Summary())
			}
			switch body.As {
			case "nothing":
				return ok(proposer{}.row(bank.Decide(tx, in.caller.MemberID, r, bank.SetAside, nil))), nil
			case "entry":
				if len(entries.Items) == 0 {
					return answer{}, problem.Invalid(problem.Fault{Pointer: "/entry", Detail: "there is no such entry in this club; GET ledger/entries"})
				}
				e := entries.Items[0]
				if e.ReversedBy != nil || e.Kind == ledger.Reversal {
					return answer{}, problem.Invalid(problem.Fault{Pointer: "/entry", Detail: "was reversed, or reverses another; name one that stands"})
				}
				return ok(proposer{}.row(bank.Decide(tx, in.caller.MemberID, r, bank.Linked, &e))), nil
			}
			return bookRow(tx, in, r, body, ledger.Of(books), members, tools)
		}
	})
}

// heldToRow holds a decision to what the row is and to what it needs.
func heldToRow(r bank.Row, body BankRowDecisionIn) error {
	var faults []problem.Fault
	needs := func(at string, there, wanted bool, detail string) {
		if there && !wanted {
			faults = append(faults, problem.Fault{Pointer: at, Detail: "does not belong to this; leave it out"})
		} else if wanted && !there {
			faults = append(faults, problem.Fault{Pointer: at, Detail: detail})
		}
	}
	ofMember := body.As == "payment" || body.As == "deposit"
	needs("/member", body.Member != nil, ofMember, "say whose it is")
	needs("/entry", body.Entry != nil, body.As == "entry", "say which entry it is")
	if body.Tool != nil && body.As != "purchase" && body.As != "deposit" {
		needs("/tool", true, false, "")
	}
	makes := ofMember || body.As == "purchase"
	if body.On != nil && !makes {
		needs("/on", true, false, "")
	}
	if body.Note != nil && !makes {
		needs("/note", true, false, "")
	}
	if body.As == "purchase" && r.Minor > 0 {
		faults = append(faults, problem.Fault{Pointer: "/as", Detail: "money came in, so nothing was bought with it; say payment or deposit"})
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	return nil
}

// bookRow makes the entry that a row is.
func bookRow(tx *postgres.Tx, in *call, r bank.Row, body BankRowDecisionIn, books ledger.Books, members *postgres.Rows[club.Member], tools *postgres.Rows[tool.Tool]) (answer, error) {
	came := r.Minor > 0
	kind := ledger.Purchase
	switch {
	case body.As == "payment" && came:
		kind = ledger.Payment
	case body.As == "payment":
		kind = ledger.Repayment
	case body.As == "deposit" && came:
		kind = ledger.DepositTaken
	case body.As == "deposit":
		kind = ledger.DepositGivenBack
	}
	i := ledger.Intent{Kind: kind, Amount: money.Amount{Minor: max(r.Minor, -r.Minor), Currency: money.Currency(r.Currency)}, On: r.BookedOn, Note: or(body.Note, "")}
	var faults []error
	var member, number string
	if members != nil {
		m, err := members.OneOf("/member", *body.Member, func(m club.Member) string { return m.Number })
		faults = append(faults, err)
		i.MemberID, member = &m.ID, m.Number
	}
	if tools != nil {
		x, err := tools.OneOf("/tool", *body.Tool, func(x tool.Tool) string { return x.Number })
		faults = append(faults, err)
		i.ToolID, number = &x.ID, x.Number
	}
	if body.On != nil {
		on, err := bookedOn(body.On, tx.Now)
		faults = append(faults, err)
		i.On = on
	}
	if err := together(faults...); err != nil {
		return answer{}, err
	}
	e, err := ledger.Book(tx, in.caller.MemberID, books, i)
	if err != nil {
		return answer{}, err
	}
	e.Member, e.Tool = member, number
	return ok(proposer{}.row(bank.Decide(tx, in.caller.MemberID, r, bank.Booked, &e))), nil
}

// ReopenBankRow implements the contract.
func (s *Server) ReopenBankRow(c echo.Context, _ InClub, id InBankRow, _ ReopenBankRowParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[EntryReversalIn](in)
		books, row := ledger.LockBooks(b), bank.Lock(b, id)
		entry := ledger.FindEntryOfRow(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			r, err := row.One()
			if err != nil {
				return answer{}, err
			}
			switch r.State {
			case bank.Open:
				return answer{}, problem.New(problem.NotAllowedNow, "This row is open: nobody has said what it is.")
			case bank.Booked:
				e, err := entry.One()
				if err != nil {
					return answer{}, err
				}
				on, err := bookedOn(body.On, tx.Now)
				if err != nil {
					return answer{}, err
				}
				undone, err := ledger.Reverse(tx, in.caller.MemberID, ledger.Of(books), e, on, body.Note)
				if err != nil {
					return answer{}, err
				}
				return ok(proposer{}.row(r.Reopened(undone))), nil
			}
			return ok(proposer{}.row(bank.Decide(tx, in.caller.MemberID, r, bank.Open, nil))), nil
		}
	})
}
