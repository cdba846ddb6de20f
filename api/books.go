package api

import (
	"fmt"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

func (in *call) booksOut(k ledger.Standing) Books {
	y := k.YearOf(in.now.UTC())
	out := Books{YearBegins: k.YearBegins, Year: yearOut(y), Entries: k.Entries, Opening: k.Opening, Version: k.Version, Summary: k.Summary(in.now.UTC())}
	if k.BeginsOn != nil {
		out.BeginsOn = &openapi_types.Date{Time: *k.BeginsOn}
	}
	if k.ClosedUntil != nil {
		out.ClosedUntil = &openapi_types.Date{Time: *k.ClosedUntil}
	}
	return out
}

func yearOut(y ledger.Year) FinancialYear {
	return FinancialYear{From: openapi_types.Date{Time: y.From}, Until: openapi_types.Date{Time: y.Until}, Text: y.Text()}
}

// GetBooks implements the contract.
func (s *Server) GetBooks(c echo.Context, _ InClub, _ GetBooksParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := ledger.FindStanding(b)
		return func() (answer, error) {
			k, err := row.One()
			return ok(in.booksOut(k)).versioned(k.Version, in.caller.Units), err
		}
	})
}

// PatchBooks implements the contract.
func (s *Server) PatchBooks(c echo.Context, _ InClub, _ PatchBooksParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := ledger.LockStanding(b)
		return func(tx *postgres.Tx) (answer, error) {
			k, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(k.Version, in.booksOut(k)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "BooksIn", BooksIn{YearBegins: k.YearBegins})
			if err != nil {
				return answer{}, err
			}
			k = ledger.SetYear(tx, in.caller.MemberID, k, body.YearBegins)
			return ok(in.booksOut(k)).versioned(k.Version, in.caller.Units), nil
		}
	})
}

// begun is an opening that was told, with whom and what it names.
type begun struct {
	in      *call
	body    OpeningIn
	members *postgres.Rows[club.Member]
	tools   *postgres.Rows[tool.Tool]
	books   *postgres.Rows[ledger.Books]
}

func (g *begun) lookUp(b *postgres.Batch) {
	members, tools := []postgres.Ref{}, []postgres.Ref{}
	for _, m := range or(g.body.Members, nil) {
		members = append(members, postgres.ParseRef(m.Member))
	}
	for _, m := range or(g.body.Deposits, nil) {
		members = append(members, postgres.ParseRef(m.Member))
	}
	for _, x := range or(g.body.Tools, nil) {
		tools = append(tools, postgres.ParseRef(x.Tool))
	}
	g.books, g.members, g.tools = ledger.LockBooks(b), club.FindMembers(b, members), tool.FindAll(b, tools)
}

// beginning is what was told, with all that is wrong with it at once.
func (g *begun) beginning() (ledger.Beginning, error) {
	currency := g.in.caller.Currency
	out := ledger.Beginning{On: g.body.On.Time, Currency: currency, Note: or(g.body.Note, "")}
	var faults []error
	wrong := func(at, detail string) {
		faults = append(faults, problem.Invalid(problem.Fault{Pointer: at, Detail: detail}))
	}
	amount := func(at string, minor int64, given *string) int64 {
		if or(given, currency) != currency {
			wrong(at+"/currency", "this club reckons in "+currency+"; give the amount in that, or leave the currency out")
		}
		return minor
	}
	if out.On.After(g.in.now.UTC()) {
		wrong("/on", "is still to come; give the day on which the books begin when it is there")
	}
	if b := g.body.Bank; b != nil {
		out.Bank = amount("/bank", b.Minor, b.Currency)
	}
	if f := g.body.Fund; f != nil {
		out.Fund = amount("/fund", f.Minor, f.Currency)
	}
	members := indexOf(g.members.Items, func(m club.Member) uuid.UUID { return m.ID }, func(m club.Member) string { return m.Number })
	tools := indexOf(g.tools.Items, func(x tool.Tool) uuid.UUID { return x.ID }, func(x tool.Tool) string { return x.Number })
	// part adds an amount of what ref names, once in a list.
	part := func(list *[]ledger.Part, at, name string, id *uuid.UUID, err error, minor int64) {
		if id == nil {
			faults = append(faults, err)
			return
		}
		for i, p := range *list {
			if p.Of == *id {
				wrong(at, fmt.Sprintf("“%s” stands there already, as number %d; give each once", name, i))
			}
		}
		*list = append(*list, ledger.Part{Of: *id, Minor: minor})
	}
	ofMember := func(list *[]ledger.Part, at, ref string, minor int64) {
		m, err := members.find(at, ref)
		var id *uuid.UUID
		if m != nil {
			id = &m.ID
		}
		part(list, at, ref, id, err, minor)
	}
	for i, m := range or(g.body.Members, nil) {
		at := fmt.Sprintf("/members/%d", i)
		ofMember(&out.Owed, at+"/member", m.Member, amount(at+"/owes", m.Owes.Minor, m.Owes.Currency))
	}
	for i, m := range or(g.body.Deposits, nil) {
		at := fmt.Sprintf("/deposits/%d", i)
		ofMember(&out.Held, at+"/member", m.Member, amount(at+"/held", m.Held.Minor, m.Held.Currency))
	}
	for i, x := range or(g.body.Tools, nil) {
		at := fmt.Sprintf("/tools/%d", i)
		found, err := tools.find(at+"/tool", x.Tool)
		var id *uuid.UUID
		if found != nil {
			id = &found.ID
		}
		part(&out.Tools, at+"/tool", x.Tool, id, err, amount(at+"/value", x.Value.Minor, x.Value.Currency))
	}
	return out, together(faults...)
}

// CreateOpeningBalances implements the contract.
func (s *Server) CreateOpeningBalances(c echo.Context, _ InClub, _ CreateOpeningBalancesParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		g := begun{in: in, body: decode[OpeningIn](in)}
		g.lookUp(b)
		return func(tx *postgres.Tx) (answer, error) {
			told, err := g.beginning()
			if err != nil {
				return answer{}, err
			}
			e, err := ledger.Begin(tx, in.caller.MemberID, ledger.Of(g.books), told)
			return created(in.path("ledger", "entries", e.ID.String()), ledgerEntryOut(e)).versioned(e.Version(), in.caller.Units), err
		}
	})
}
