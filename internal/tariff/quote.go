package tariff

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// Quote is what lending was said to cost before it began; kept, so that the charge
// can be compared with it.
type Quote struct {
	ID            uuid.UUID
	MemberID      uuid.UUID
	Member        string `json:"-"` // by number
	ReservationID *uuid.UUID
	Currency      string
	ByMember      uuid.UUID
	QuotedAt      time.Time
	Lines         []Quoted
}

// Quoted is one line of a quote.
type Quoted struct {
	Line         int
	ToolID       *uuid.UUID
	Tool         string `json:"-"`
	ModelID      uuid.UUID
	Model        string `json:"-"`
	Starts, Ends time.Time
	RuleID       *uuid.UUID
	CostID       *uuid.UUID
	DepositMinor *int64
	Reckoned     Reckoned
}

// Expect is f's line of a quote, with so many units of use expected.
func (f Facts) Expect(units int64) (Quoted, error) {
	var uses []Used
	if units > 0 {
		uses = []Used{{Work: f.costs().Unit, Count: units}}
	}
	r, err := f.Reckon(uses)
	r.Uses = []Used{}
	return Quoted{Line: f.Line, ToolID: f.ToolID, Tool: f.Tool, ModelID: f.ModelID, Model: f.Model, Starts: f.Starts.UTC(), Ends: f.Ends.UTC(), RuleID: f.RuleID, CostID: f.CostID,
		DepositMinor: f.DepositMinor, Reckoned: r}, err
}

// Total is what the lines come to, and Deposit what is held for them meanwhile.
func (q Quote) Total() (total, deposit int64) {
	for _, l := range q.Lines {
		total += l.Reckoned.Total()
		if l.DepositMinor != nil {
			deposit += *l.DepositMinor
		}
	}
	return total, deposit
}

// Keep writes q.
func (q Quote) Keep(tx *postgres.Tx) Quote {
	q.ID, q.QuotedAt = uuid.Must(uuid.NewV7()), kept(tx.Now)
	tx.Queue(`insert into quote (club_id, id, member_id, reservation_id, currency, by_member, quoted_at) values ($1, $2, $3, $4, $5, $6, $7)`,
		tx.Club, q.ID, q.MemberID, q.ReservationID, q.Currency, q.ByMember, q.QuotedAt)
	for _, l := range q.Lines {
		r := l.Reckoned
		tx.Queue(`insert into quote_line (club_id, quote_id, line, tool_id, model_id, period, rule_id, cost_id, units, use_minor, consumables_minor, other_minor, deposit_minor, reckoned)
			values ($1, $2, $3, $4, $5, tstzrange($6, $7), $8, $9, $10, $11, $12, $13, $14, $15)`,
			tx.Club, q.ID, l.Line, l.ToolID, l.ModelID, l.Starts, l.Ends, l.RuleID, l.CostID, r.Units, r.Flat+r.Wear, r.Consumables, r.Least, l.DepositMinor, r)
	}
	journal.Append(tx, journal.Event{Type: "quote.made", Subject: q.ID, Version: 1, Audience: journal.ForOfficers, Actor: q.ByMember}, q)
	return q
}

type quotedRow struct {
	ID            uuid.UUID
	MemberID      uuid.UUID
	Member        string
	ReservationID *uuid.UUID
	Currency      string
	ByMember      uuid.UUID
	QuotedAt      time.Time
	Line          int
	ToolID        *uuid.UUID
	Tool          string
	ModelID       uuid.UUID
	Model         string
	Starts, Ends  time.Time
	RuleID        *uuid.UUID
	CostID        *uuid.UUID
	DepositMinor  *int64
	Reckoned      Reckoned
}

const withQuoted = `
	select q.id, q.member_id, (select p.number from member p where p.club_id = q.club_id and p.id = q.member_id) as member, q.reservation_id, q.currency::text as currency, q.by_member, q.quoted_at, l.line, l.tool_id, coalesce((select t.number from tool t where t.club_id = l.club_id and t.id = l.tool_id), '') as tool,
	       l.model_id, (select m.code from tool_model m where m.club_id = l.club_id and m.id = l.model_id) as model,
	       lower(l.period) as starts, upper(l.period) as ends, l.rule_id, l.cost_id, l.deposit_minor, l.reckoned
	from page q
	join quote_line l on l.club_id = q.club_id and l.quote_id = q.id
	order by q.id desc, l.line`

// Quotes is the result of a query; empty until its batch was sent.
type Quotes struct{ rows *postgres.Rows[quotedRow] }

// Items returns the quotes with their lines.
func (q Quotes) Items() []Quote {
	var out []Quote
	for _, r := range q.rows.Items {
		if len(out) == 0 || out[len(out)-1].ID != r.ID {
			out = append(out, Quote{ID: r.ID, MemberID: r.MemberID, Member: r.Member, ReservationID: r.ReservationID, Currency: r.Currency, ByMember: r.ByMember, QuotedAt: r.QuotedAt})
		}
		last := &out[len(out)-1]
		last.Lines = append(last.Lines, Quoted{Line: r.Line, ToolID: r.ToolID, Tool: r.Tool, ModelID: r.ModelID, Model: r.Model, Starts: r.Starts, Ends: r.Ends, RuleID: r.RuleID, CostID: r.CostID,
			DepositMinor: r.DepositMinor, Reckoned: r.Reckoned})
	}
	return out
}

const quoteColumns = `id, club_id, member_id, reservation_id, currency, by_member, quoted_at`

// FindQuote looks a quote up.
func FindQuote(b *postgres.Batch, id uuid.UUID) Quotes {
	return Quotes{postgres.Query[quotedRow](b, `with page as (select `+quoteColumns+` from quote where club_id = $1 and id = $2)`+withQuoted, b.Club, id)}
}

// ListQuotes lists quotes, newest first, with ids below before. Served by quote_pkey.
func ListQuotes(b *postgres.Batch, before uuid.UUID, limit int) Quotes {
	return Quotes{postgres.Query[quotedRow](b, `with page as (select `+quoteColumns+` from quote where club_id = $1 and id < $2 order by id desc limit $3)`+withQuoted, b.Club, before, limit)}
}

// ListQuotesFor is ListQuotes of one member's. Served by quote_of_member.
func ListQuotesFor(b *postgres.Batch, who Who, before uuid.UUID, limit int) Quotes {
	args := append([]any{b.Club}, who.args...)
	n := len(args)
	return Quotes{postgres.Query[quotedRow](b, `with page as (select `+quoteColumns+` from quote
		where club_id = $1 and member_id = (`+who.query+`) and id < `+fmt.Sprintf(`$%d order by id desc limit $%d`, n+1, n+2)+`)`+withQuoted, append(args, before, limit)...)}
}

// quoteForLoan is the line of a quote that a loan's charge is compared with: the newest
// of its reservation, else the newest for the same member and tool, or any tool of the
// model, at the time of the loan; made before the loan ended.
func quoteForLoan(b *postgres.Batch, id uuid.UUID) Quotes {
	return Quotes{postgres.Query[quotedRow](b, `
		with found as (
			select q.id, x.line
			from loan l
			join booking k on k.club_id = l.club_id and k.reservation_id = l.reservation_id and k.line = l.line
			join tool t on t.club_id = l.club_id and t.id = l.tool_id
			join quote q on q.club_id = l.club_id and q.member_id = l.member_id and q.quoted_at <= coalesce(l.ended_at, 'infinity')
			join quote_line x on x.club_id = q.club_id and x.quote_id = q.id and (q.reservation_id = l.reservation_id and x.line = l.line
				or q.reservation_id is null and x.model_id = t.model_id and (x.tool_id is null or x.tool_id = t.id) and x.period && tstzrange(least(l.collected_at, lower(k.period)), greatest(coalesce(upper(l.period_out), upper(k.period)), l.collected_at + interval '1 microsecond')))
			where l.club_id = $1 and l.id = $2
			order by q.reservation_id is null, q.id desc, x.tool_id is null, x.line limit 1
		), page as (select `+quoteColumns+` from quote where club_id = $1 and id = (select id from found))
		select * from (`+withQuoted[:len(withQuoted)-len("\n\torder by q.id desc, l.line")]+`) all_lines where line = (select line from found)`, b.Club, id)}
}
