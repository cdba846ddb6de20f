package tariff

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
)

// Charge is what a loan was charged, or would be.
type Charge struct {
	ID         uuid.UUID // zero of one that is not made
	LoanID     uuid.UUID
	ToolID     uuid.UUID
	Tool       string `json:"-"` // by number
	MemberID   uuid.UUID
	Member     string `json:"-"`
	LentAt     time.Time
	Corrects   *uuid.UUID // the charge of the same loan that it takes the place of
	QuoteID    *uuid.UUID
	QuoteLine  *int
	RuleID     *uuid.UUID
	CostID     *uuid.UUID
	CostNumber int64
	Currency   string
	DamageNote string `json:"-"` // people's words stay out of the journal
	Note       string `json:"-"` // why it was corrected
	BookedOn   time.Time
	ByMember   uuid.UUID
	ChargedAt  time.Time
	Reckoned   Reckoned
	Entries    []Booked
}

// Booked is an entry of the books under which a charge stands.
type Booked struct {
	Reason   string    `json:"reason"`
	EntryID  uuid.UUID `json:"entry_id"`
	Number   int64     `json:"number"`
	Minor    int64     `json:"minor"`
	Reversed *int64    `json:"reversed"` // by the entry of that number
}

// lent is a loan as far as its charge goes.
type lent struct {
	ID       uuid.UUID
	MemberID uuid.UUID
	EndedAt  *time.Time
	Ended    string
}

// Case is a loan with all that its charge rests on; empty until its batch was sent.
type Case struct {
	books   *postgres.Rows[ledger.Books]
	loan    *postgres.Rows[lent]
	facts   *postgres.Rows[Facts]
	uses    *postgres.Rows[Used]
	quote   Quotes
	charges *postgres.Rows[Charge]
	entries *postgres.Rows[ledger.Entry]
}

// standing selects the charge of the loan $2 that no other corrects.
const standing = `select x.id from loan_charge x where x.club_id = $1 and x.loan_id = $2 and not exists (select from loan_charge y where y.club_id = $1 and y.corrects = x.id)`

// Look looks up what a loan's charge rests on.
func Look(b *postgres.Batch, id uuid.UUID) *Case {
	return &Case{
		loan:  postgres.Query[lent](b, `select id, member_id, ended_at, coalesce(ended, '') as ended from loan where club_id = $1 and id = $2`, b.Club, id),
		facts: factsOfLoan(b, id),
		uses:  postgres.Query[Used](b, `select id, work, count::bigint as count, 0::bigint as wear from tool_use where club_id = $1 and loan_id = $2 and voided_at is null order by used_at, id`, b.Club, id),
		quote: quoteForLoan(b, id),
		charges: postgres.Query[Charge](b, `
			select x.id, x.loan_id, x.tool_id, t.number as tool, x.member_id, p.number as member, x.lent_at, x.corrects, x.quote_id, x.quote_line, x.rule_id, x.cost_id, x.cost_number,
			       x.currency::text as currency, x.damage_note, x.note, x.booked_on, x.by_member, x.charged_at, x.reckoned,
			       (select coalesce(jsonb_agg(jsonb_build_object('reason', k.reason, 'entry_id', k.entry_id, 'number', e.number, 'minor', e.minor,
			       		'reversed', (select v.number from entry v where v.club_id = e.club_id and v.reverses = e.id)) order by e.number), '[]')
			        from loan_charge_entry k join entry e on e.club_id = k.club_id and e.id = k.entry_id where k.club_id = x.club_id and k.charge_id = x.id) as entries
			from loan_charge x
			join tool t on t.club_id = x.club_id and t.id = x.tool_id
			join member p on p.club_id = x.club_id and p.id = x.member_id
			where x.club_id = $1 and x.loan_id = $2
			order by x.charged_at desc, x.id desc`, b.Club, id),
	}
}

// Lock is Look, with the books locked first: what it finds stands until the end of the
// write, since every charge of the club is booked behind that lock.
func Lock(b *postgres.Batch, id uuid.UUID) *Case {
	books := ledger.LockBooks(b)
	c := Look(b, id)
	c.books = books
	c.entries = ledger.FindEntries(b, `select k.entry_id from loan_charge_entry k where k.club_id = $1 and k.charge_id in (`+standing+`)`, id)
	return c
}

// Borrower is whose loan it is; problem.Absent where there is no such loan.
func (c *Case) Borrower() (uuid.UUID, error) {
	l, err := c.loan.One()
	return l.MemberID, err
}

// Standing is the charge that stands, and those before it, newest first.
func (c *Case) Standing() (Charge, []Charge, bool) {
	for i, x := range c.charges.Items {
		if !slices.ContainsFunc(c.charges.Items, func(y Charge) bool { return y.Corrects != nil && *y.Corrects == x.ID }) {
			return x, slices.Delete(slices.Clone(c.charges.Items), i, i+1), true
		}
	}
	return Charge{}, nil, false
}

// Quoted is the line of a quote that the charge is compared with.
func (c *Case) Quoted() (Quote, Quoted, bool) {
	for _, q := range c.quote.Items() {
		return q, q.Lines[0], true
	}
	return Quote{}, Quoted{}, false
}

// Damage is what a damaged tool costs its borrower; Minor 0: nothing.
type Damage struct {
	Minor int64
	Note  string
}

// Ended tells how the loan ended; "" while it is open.
func (c *Case) Ended() string {
	if len(c.loan.Items) == 0 {
		return ""
	}
	return c.loan.Items[0].Ended
}

// Reckon is the charge as it would be made now, of a loan that is open as if the tool
// came back now. A handout that was undone costs nothing.
func (c *Case) Reckon(now time.Time, currency string, damage Damage) (Charge, error) {
	l, err := c.loan.One()
	if err != nil {
		return Charge{}, err
	}
	f, err := c.facts.One()
	if err != nil {
		return Charge{}, err
	}
	r, err := f.Reckon(c.uses.Items)
	if err != nil {
		return Charge{}, err
	}
	back := now
	if l.EndedAt != nil {
		back = *l.EndedAt
	}
	r = r.broughtBack(f, back)
	r.Damage = damage.Minor
	if l.Ended == "undone" {
		r.Flat, r.Wear, r.Consumables, r.Least, r.Late, r.LateDays = 0, 0, 0, 0, 0, 0
	}
	out := Charge{LoanID: l.ID, ToolID: *f.ToolID, Tool: f.Tool, MemberID: l.MemberID, Member: f.Member, LentAt: f.Starts.UTC(), RuleID: f.RuleID, CostID: f.CostID, CostNumber: r.CostNumber,
		Currency: currency, Reckoned: r, Entries: []Booked{}, DamageNote: damage.Note}
	if q, line, found := c.Quoted(); found {
		out.QuoteID, out.QuoteLine = &q.ID, &line.Line
	}
	return out, nil
}

// Due tells whether x, the charge that stands, no longer fits the uses and times that are
// recorded, which next, reckoned now, does.
func Due(x, next Charge) bool {
	same := func(a, b Used) bool { return a.ID == b.ID && a.Count == b.Count && a.Work == b.Work }
	return !slices.EqualFunc(x.Reckoned.Uses, next.Reckoned.Uses, same) || x.Reckoned.LateDays != next.Reckoned.LateDays ||
		slices.ContainsFunc(x.Entries, func(b Booked) bool { return b.Reversed != nil })
}
