package ledger

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Account is an account with its balance, debits less credits.
type Account struct {
	Kind     string
	MemberID *uuid.UUID
	Member   string
	ToolID   *uuid.UUID
	Tool     string
	Currency string
	Balance  int64
}

const selectAccounts = `
	select a.kind, a.member_id, coalesce((select m.number from member m where m.club_id = a.club_id and m.id = a.member_id), '') as member,
	       a.tool_id, coalesce((select t.number from tool t where t.club_id = a.club_id and t.id = a.tool_id), '') as tool, a.currency::text as currency, a.balance
	from account a
	where a.club_id = $1 `

// ListAccounts lists accounts of one kind after another, those of a kind by what
// they are of, after the given ones. Served by account_of_each.
func ListAccounts(b *postgres.Batch, afterKind string, after uuid.UUID, limit int) *postgres.Rows[Account] {
	return postgres.Query[Account](b, selectAccounts+`and (a.kind, a.of_id) > ($2, $3) order by a.kind, a.of_id limit $4`, b.Club, afterKind, after, limit)
}

// Of is whose account it is; the zero id for the club's.
func (a Account) Of() uuid.UUID {
	switch {
	case a.MemberID != nil:
		return *a.MemberID
	case a.ToolID != nil:
		return *a.ToolID
	default:
		return uuid.Nil
	}
}

// AccountsOf lists the accounts of a member: what they owe and what the club holds of
// theirs.
func AccountsOf(b *postgres.Batch, member postgres.Ref) *postgres.Rows[Account] {
	return postgres.Query[Account](b, selectAccounts+`and a.kind in ('member', 'deposit') and a.of_id = (select id from member where club_id = $1 and (id = $2 or number = $3))`,
		b.Club, member.ID, member.Name)
}

// Line is one line of a member's statement.
type Line struct {
	EntryID  uuid.UUID
	Number   int64
	BookedOn time.Time
	Kind     string
	Reason   string
	Tool     string
	Note     string
	Minor    int64 // above 0: owed from then on; below: paid
	Currency string
	Balance  int64 // owed after it
	Reverses *int64
}

// Statement lists what a member was charged and paid, newest first, with entry numbers
// below before. Served by posting_of_account.
func Statement(b *postgres.Batch, member postgres.Ref, before int64, limit int) *postgres.Rows[Line] {
	return postgres.Query[Line](b, `
		select e.id as entry_id, e.number, e.booked_on, e.kind, e.reason, coalesce((select t.number from tool t where t.club_id = e.club_id and t.id = e.tool_id), '') as tool, e.note, p.minor, p.currency::text as currency, p.balance,
		       (select r.number from entry r where r.club_id = e.club_id and r.id = e.reverses) as reverses
		from account a
		join posting p on p.club_id = a.club_id and p.account_id = a.id
		join entry e on e.club_id = p.club_id and e.id = p.entry_id
		where a.club_id = $1 and a.kind = 'member' and a.of_id = (select id from member where club_id = $1 and (id = $2 or number = $3)) and p.entry_number < $4
		order by p.entry_number desc, p.line desc limit $5`, b.Club, member.ID, member.Name, before, limit)
}

// Closing says until when the books are closed.
type Closing struct {
	ID          uuid.UUID
	ClosedUntil time.Time
	Note        string
	MemberID    uuid.UUID
	RecordedAt  time.Time
}

// ListClosings lists closings, latest day first, with days before the given one.
func ListClosings(b *postgres.Batch, before time.Time, limit int) *postgres.Rows[Closing] {
	return postgres.Query[Closing](b, `select id, closed_until, note, member_id, recorded_at from closing where club_id = $1 and closed_until < $2 order by closed_until desc limit $3`,
		b.Club, before, limit)
}

// Close closes the books until c.ClosedUntil.
func Close(tx *postgres.Tx, books Books, c Closing) error {
	if books.ClosedUntil != nil && !c.ClosedUntil.After(*books.ClosedUntil) {
		return problem.New(problem.NotAllowedNow, "The books are closed until %s already; give a later day.", books.ClosedUntil.Format(time.DateOnly))
	}
	tx.Queue(`insert into closing (club_id, id, closed_until, note, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6)`,
		tx.Club, c.ID, c.ClosedUntil, c.Note, c.MemberID, c.RecordedAt).RunAgainOn("books_close_forward").RunAgainOn("closing_day")
	journal.Append(tx, journal.Event{Type: "ledger.closed", Subject: c.ID, Version: 1, Audience: journal.ForOfficers, Actor: c.MemberID}, c)
	return nil
}

// EveryAccount lists all accounts.
func EveryAccount(b *postgres.Batch) *postgres.Rows[Account] {
	return postgres.Query[Account](b, selectAccounts+`order by a.kind, a.of_id`, b.Club)
}
