package api

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/reports"
)

// mostSheetLines is how many lines a printed statement has: some forty sheets of paper.
const mostSheetLines = 1000

// GetStatementSheet implements the contract.
func (s *Server) GetStatementSheet(c echo.Context, _ InClub, member InMember, params GetStatementSheetParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(member)
		who, of := club.FindMember(b, ref), club.Find(b)
		accounts, rows := ledger.AccountsOf(b, ref), ledger.Statement(b, ref, 1<<62, mostSheetLines+1)
		return func() (answer, error) {
			m, err := who.One()
			if err != nil {
				return answer{}, err
			}
			if m.ID != in.caller.MemberID && !in.caller.Has("treasurer", "officer", "auditor") {
				return answer{}, problem.New(problem.MissingRole, "This is another member's statement; they, treasurers, officers and auditors see it. Ask one of them.")
			}
			k, err := of.One()
			if err != nil {
				return answer{}, err
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
			v := reportView{Title: "Statement of " + m.Name + " (" + m.Number + ")", Summary: k.Name + ". " + ledger.Owes("Member "+m.Number, owes, currency) + ".", Foot: in.printed()}
			if held != 0 {
				v.Summary += " The club holds a deposit of " + moneyOut(held, currency).Text + "."
			}
			part := reportPart{Heads: []string{"Day", "Entry", "What", "Owed from then on", "Owed after it"}, Nothing: "Nothing was charged and nothing paid."}
			lines := rows.Items
			if len(lines) > mostSheetLines {
				lines = lines[:mostSheetLines]
				v.Summary += " Older lines are not on this sheet."
			}
			for _, l := range slices.Backward(lines) {
				what := l.Summary()
				if l.Note != "" {
					what += ": " + l.Note
				}
				part.Rows = append(part.Rows, []string{l.BookedOn.Format(time.DateOnly), fmt.Sprint("no. ", l.Number), what, moneyOut(l.Minor, currency).Text, moneyOut(l.Balance, currency).Text})
			}
			v.Parts = []reportPart{part}
			return v.on(string(or(params.Page, "a4")))
		}
	})
}

// GetLedgerJournal implements the contract.
func (s *Server) GetLedgerJournal(c echo.Context, _ InClub) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		of, entries := club.Find(b), ledger.EveryEntry(b)
		accounts := ledger.EveryAccount(b) // behind the entries, so that each account of theirs is there
		return func() (answer, error) {
			k, err := of.One()
			if err != nil {
				return answer{}, err
			}
			text := reports.Journal(k.Name, in.caller.Currency, accounts.Items, entries.Items, in.now)
			return answer{status: http.StatusOK, body: text, headers: map[string]string{"Content-Type": "text/plain; charset=utf-8", "Content-Disposition": `attachment; filename="` + k.Slug + `.beancount"`}}, nil
		}
	})
}
