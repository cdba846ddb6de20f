package bank

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/journal"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// States of a row.
const (
	Open     = "open"
	Booked   = "booked"    // an entry was made of it
	Linked   = "linked"    // its entry was there before
	SetAside = "set_aside" // it is not for the books
)

// Row is a movement that was kept.
type Row struct {
	ID          uuid.UUID
	StatementID uuid.UUID
	RowNumber   int
	BookedOn    time.Time
	Minor       int64
	Currency    string
	Reference   string
	Name        string
	Digest      []byte
	State       string
	EntryID     *uuid.UUID
	EntryNumber *int64
	MemberID    *uuid.UUID // of its entry
	Member      string
	DecidedBy   *uuid.UUID
	DecidedAt   *time.Time
	Version     int64
}

const selectRows = `
	select r.id, r.statement_id, r.row_number, r.booked_on, r.minor, r.currency::text as currency, r.reference, r.name, r.digest, r.state, r.entry_id, e.number as entry_number, e.member_id,
	       coalesce((select m.number from member m where m.club_id = e.club_id and m.id = e.member_id), '') as member, r.decided_by, r.decided_at, r.version
	from bank_row r left join entry e on e.club_id = r.club_id and e.id = r.entry_id
	where r.club_id = $1 `

// Find looks a row up.
func Find(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Row] {
	return postgres.Query[Row](b, selectRows+`and r.id = $2`, b.Club, id)
}

// Lock is Find, locked for a decision, behind the lock of the books.
func Lock(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Row] {
	postgres.Values[uuid.UUID](b, `select id from bank_row where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return Find(b, id)
}

// Known lists the rows that have these digests.
func Known(b *postgres.Batch, digests [][]byte) *postgres.Rows[Row] {
	return postgres.Query[Row](b, selectRows+`and r.digest = any($2)`, b.Club, digests)
}

// Filter narrows a list of rows; zero values narrow nothing.
type Filter struct {
	State     string
	Statement *uuid.UUID
}

// List lists rows before the given one, newest first. Served by bank_row_pkey, bank_row_open or
// bank_row_of_statement.
func List(b *postgres.Batch, f Filter, before uuid.UUID, limit int) *postgres.Rows[Row] {
	where, args := ``, []any{b.Club, before, limit}
	if f.State == Open {
		where += `and r.state = 'open' `
	} else if f.State != "" {
		args = append(args, f.State)
		where += fmt.Sprintf(`and r.state = $%d `, len(args))
	}
	if f.Statement != nil {
		args = append(args, *f.Statement)
		where += fmt.Sprintf(`and r.statement_id = $%d `, len(args))
	}
	return postgres.Query[Row](b, selectRows+where+`and r.id < $2 order by r.id desc limit $3`, args...)
}

// People lists the members with what each owes.
func People(b *postgres.Batch) *postgres.Rows[Person] {
	return postgres.Query[Person](b, `
		select m.id, m.number, m.name, coalesce(a.balance, 0) as owes
		from member m left join account a on a.club_id = m.club_id and a.kind = 'member' and a.of_id = m.id
		where m.club_id = $1 and m.erased_at is null order by m.number`, b.Club)
}

// selectMade are the entries that moved the bank, stand, and belong to no row, of those that it is
// given, some of them more than once. All else is asked for each entry, of which there are few: joined, every
// posting and row of the club would be read.
const selectMade = `
	select x.* from (
		select e.id, e.number, e.booked_on, e.member_id, coalesce((select m.number from member m where m.club_id = e.club_id and m.id = e.member_id), '') as member,
		       (select sum(p.minor) from posting p where p.club_id = e.club_id and p.entry_id = e.id
		        and p.account_id = (select a.id from account a where a.club_id = $1 and a.kind = 'bank' and a.of_id = '00000000-0000-0000-0000-000000000000'))::bigint as minor
		from %s
		where e.kind not in ('reversal', 'opening')
		  and (select count(*) from entry r where r.club_id = e.club_id and r.reverses = e.id) = 0
		  and (select count(*) from bank_row w where w.club_id = e.club_id and w.entry_id = e.id) = 0) x
	where x.minor is not null`

// MadeBetween lists the entries that movements of the days from and until may be. Served by
// entry_booked_on.
func MadeBetween(b *postgres.Batch, from, until time.Time) *postgres.Rows[Made] {
	return postgres.Query[Made](b, fmt.Sprintf(selectMade, `(select * from entry where club_id = $1 and booked_on between $2 and $3) e`), b.Club, from.AddDate(0, 0, -daysAround), until.AddDate(0, 0, daysAround))
}

// MadeAbout lists the entries that the row, or any open one, may be. Served by bank_row_open and
// entry_booked_on; bounds are columns before they are compared, or row security keeps them from the
// index.
func MadeAbout(b *postgres.Batch, row *uuid.UUID) *postgres.Rows[Made] {
	of, args := ``, []any{b.Club, daysAround}
	if row != nil {
		of, args = `and o.id = $3 `, append(args, *row)
	}
	return postgres.Query[Made](b, fmt.Sprintf(selectMade, `(select o.booked_on - $2::int as low, o.booked_on + $2::int as high from bank_row o where o.club_id = $1 and o.state = 'open' `+of+` offset 0) o
		join entry e on e.club_id = $1 and e.booked_on between o.low and o.high`), args...)
}

// Movement is what the bank told, for proposals.
func (r Row) Movement() Movement {
	return Movement{On: r.BookedOn, Minor: r.Minor, Reference: r.Reference, Name: r.Name}
}

// Statement is a file that came in.
type Statement struct {
	ID         uuid.UUID
	MemberID   uuid.UUID
	RecordedAt time.Time
	RowsRead   int
	Created    int
	Existing   int
}

// ListStatements lists files before the given one, newest first.
func ListStatements(b *postgres.Batch, before uuid.UUID, limit int) *postgres.Rows[Statement] {
	return postgres.Query[Statement](b, `select id, member_id, recorded_at, rows_read, created, existing from bank_statement where club_id = $1 and id < $2 order by id desc limit $3`,
		b.Club, before, limit)
}

// Add keeps a file and those of its movements that are new, and returns them as rows.
func Add(tx *postgres.Tx, s Statement, currency string, news []Movement) []Row {
	rows := make([]Row, len(news))
	for i, m := range news {
		rows[i] = Row{ID: uuid.Must(uuid.NewV7()), StatementID: s.ID, RowNumber: m.Row, BookedOn: m.On, Minor: m.Minor, Currency: currency, Reference: m.Reference, Name: m.Name, Digest: m.Digest, State: Open, Version: 1}
	}
	tx.Queue(`insert into bank_statement (club_id, id, member_id, recorded_at, rows_read, created, existing) values ($1, $2, $3, $4, $5, $6, $7)`,
		tx.Club, s.ID, s.MemberID, s.RecordedAt, s.RowsRead, s.Created, s.Existing)
	tx.Queue(`insert into bank_row (club_id, id, statement_id, row_number, booked_on, minor, currency, reference, name, digest)
		select $1, id, $2, row_number, booked_on, minor, $3, reference, name, digest
		from unnest($4::uuid[], $5::int[], $6::date[], $7::bigint[], $8::text[], $9::text[], $10::bytea[]) as u(id, row_number, booked_on, minor, reference, name, digest) order by digest`,
		tx.Club, s.ID, currency,
		postgres.Column(rows, func(r Row) uuid.UUID { return r.ID }), postgres.Column(rows, func(r Row) int { return r.RowNumber }),
		postgres.Column(rows, func(r Row) time.Time { return r.BookedOn }), postgres.Column(rows, func(r Row) int64 { return r.Minor }),
		postgres.Column(rows, func(r Row) string { return r.Reference }), postgres.Column(rows, func(r Row) string { return r.Name }),
		postgres.Column(rows, func(r Row) []byte { return r.Digest })).RunAgainOn("bank_row_once")
	journal.Append(tx, journal.Event{Type: "ledger.bank_told", Subject: s.ID, Version: 1, Audience: journal.ForOfficers, Actor: s.MemberID},
		postgres.Column(rows, func(r Row) string { return fmt.Sprintf("%x", r.Digest) }))
	return rows
}

// Decide writes that r, locked, has become state, with its entry where there is one.
func Decide(tx *postgres.Tx, actor uuid.UUID, r Row, state string, e *ledger.Entry) Row {
	r.State, r.EntryID, r.EntryNumber, r.MemberID, r.Member = state, nil, nil, nil, ""
	if e != nil {
		r.EntryID, r.EntryNumber, r.MemberID, r.Member = &e.ID, &e.Number, e.MemberID, e.Member
	}
	at := tx.Now.UTC().Truncate(time.Microsecond)
	r.DecidedBy, r.DecidedAt = &actor, &at
	r.Version++
	tx.Queue(`update bank_row set state = $3, entry_id = $4, decided_by = $5, decided_at = $6, version = $7 where club_id = $1 and id = $2`,
		tx.Club, r.ID, r.State, r.EntryID, actor, at, r.Version).RunAgainOn("bank_row_decided_once").
		Refuse("bank_row_of_entry", problem.New(problem.NotAllowedNow, "That entry belongs to another row of the bank's already. GET the rows to see which; open that one again, or book this one anew.")).
		Refuse("bank_row_agrees", problem.Invalid(problem.Fault{Pointer: "/entry", Detail: "does not move the bank by what the row says; name an entry of the same amount"}))
	journal.Append(tx, journal.Event{Type: "ledger.bank_row_decided", Subject: r.ID, Version: r.Version, Audience: journal.ForOfficers, Actor: actor}, struct {
		State   string
		EntryID *uuid.UUID
	}{r.State, r.EntryID})
	return r
}

// Reopened is r, which was booked, as it is when its entry is reversed by e: the database opens it
// then.
func (r Row) Reopened(e ledger.Entry) Row {
	r.State, r.EntryID, r.EntryNumber, r.MemberID, r.Member = Open, nil, nil, nil, ""
	r.DecidedBy, r.DecidedAt = &e.ByMember, &e.RecordedAt
	r.Version++
	return r
}

// Amount is how the row moves the bank.
func (r Row) Amount() money.Amount {
	return money.Amount{Minor: r.Minor, Currency: money.Currency(r.Currency)}
}

// Summary tells the row in a sentence, without the words of the bank.
func (r Row) Summary() string {
	what := "came in"
	if r.Minor < 0 {
		what = "went out"
	}
	text := money.Amount{Minor: max(r.Minor, -r.Minor), Currency: money.Currency(r.Currency)}.Text() + " " + what + " on " + r.BookedOn.Format(time.DateOnly)
	switch r.State {
	case Booked:
		text += fmt.Sprintf("; entry %d was made of it", *r.EntryNumber)
	case Linked:
		text += fmt.Sprintf("; it is entry %d, which was there", *r.EntryNumber)
	case SetAside:
		text += "; it is not for the books"
	default:
		text += "; nobody has said what it is"
	}
	if r.Member != "" {
		text += ", of member " + r.Member
	}
	return strings.TrimSpace(text) + "."
}

// Summary tells the proposal in a sentence.
func (p Proposal) Summary() string {
	reasons := map[string]string{ByNumber: "their number stands in the reference", ByName: "their name stands in it", ByAmount: "they owe just that", ByEntry: "that amount is booked about then and belongs to no row"}
	var because []string
	for _, why := range p.Because {
		because = append(because, reasons[why])
	}
	switch {
	case p.Entry != nil && p.Entry.Member != "":
		return fmt.Sprintf("Entry %d of member %s: %s.", p.Entry.Number, p.Entry.Member, strings.Join(because, "; "))
	case p.Entry != nil:
		return fmt.Sprintf("Entry %d: %s.", p.Entry.Number, strings.Join(because, "; "))
	default:
		return fmt.Sprintf("Member %s: %s.", p.Member.Number, strings.Join(because, "; "))
	}
}
