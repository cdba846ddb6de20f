package ledger

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Entry is what was booked.
type Entry struct {
	ID         uuid.UUID
	Number     int64
	BookedOn   time.Time
	Kind       string
	Reason     string
	MemberID   *uuid.UUID
	Member     string // by number, for people; "" for none
	ToolID     *uuid.UUID
	Tool       string
	Minor      int64
	Currency   string
	Note       string
	ByMember   uuid.UUID
	RecordedAt time.Time
	Reverses   *uuid.UUID
	ReversedBy *uuid.UUID
	Postings   []Posting
}

// Posting is one line of an entry: above 0 a debit, below a credit.
type Posting struct {
	Account  string     `json:"account"`
	MemberID *uuid.UUID `json:"member_id"`
	ToolID   *uuid.UUID `json:"tool_id"`
	Minor    int64      `json:"minor"`
}

// Amount is the entry's amount.
func (e Entry) Amount() money.Amount {
	return money.Amount{Minor: e.Minor, Currency: money.Currency(e.Currency)}
}

const selectEntries = `
	select e.id, e.number, e.booked_on, e.kind, e.reason, e.member_id, coalesce((select m.number from member m where m.club_id = e.club_id and m.id = e.member_id), '') as member,
	       e.tool_id, coalesce((select t.number from tool t where t.club_id = e.club_id and t.id = e.tool_id), '') as tool, e.minor, e.currency::text as currency,
	       e.note, e.by_member, e.recorded_at, e.reverses,
	       (select r.id from entry r where r.club_id = e.club_id and r.reverses = e.id) as reversed_by,
	       (select jsonb_agg(jsonb_build_object('account', a.kind, 'member_id', a.member_id, 'tool_id', a.tool_id, 'minor', p.minor) order by p.line)
	        from posting p join account a on a.club_id = p.club_id and a.id = p.account_id where p.club_id = e.club_id and p.entry_id = e.id) as postings
	from entry e
	where e.club_id = $1 `

// FindEntry looks an entry up.
func FindEntry(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Entry] {
	return postgres.Query[Entry](b, selectEntries+`and e.id = $2`, b.Club, id)
}

// FindEntries looks up the entries whose ids a query gives, by the club ($1) and args.
func FindEntries(b *postgres.Batch, ids string, args ...any) *postgres.Rows[Entry] {
	return postgres.Query[Entry](b, selectEntries+`and e.id in (`+ids+`) order by e.number`, append([]any{b.Club}, args...)...)
}

// Filter narrows a list of entries; zero values narrow nothing.
type Filter struct {
	Kind, Member, Tool string // member and tool by id or name
	From, Until        *time.Time
}

// ListEntries lists entries with numbers below before, newest first. Served by entry_number,
// entry_of_member or entry_of_tool.
func ListEntries(b *postgres.Batch, f Filter, before int64, limit int) *postgres.Rows[Entry] {
	where, args := ``, []any{b.Club, before, limit}
	add := func(text string, values ...any) {
		for _, v := range values {
			args = append(args, v)
			text = strings.Replace(text, "?", fmt.Sprintf("$%d", len(args)), 1)
		}
		where += text
	}
	if f.Kind != "" {
		add(`and e.kind = ? `, f.Kind)
	}
	if f.Member != "" {
		r := postgres.ParseRef(f.Member)
		add(`and e.member_id = (select id from member where club_id = $1 and (id = ? or number = ?)) `, r.ID, r.Name)
	}
	if f.Tool != "" {
		r := postgres.ParseRef(f.Tool)
		add(`and e.tool_id = (select id from tool where club_id = $1 and (id = ? or number = ?)) `, r.ID, r.Name)
	}
	if f.From != nil {
		add(`and e.booked_on >= ? `, *f.From)
	}
	if f.Until != nil {
		add(`and e.booked_on <= ? `, *f.Until)
	}
	return postgres.Query[Entry](b, selectEntries+where+`and e.number < $2 order by e.number desc limit $3`, args...)
}

// Books is what the club's books allow.
type Books struct {
	Entries     int64
	ClosedUntil *time.Time
	YearBegins  string
	Version     int64
}

// Usual are the books of a club that has none yet.
var Usual = Books{YearBegins: "01-01", Version: 1}

// LockBooks looks up what the books allow; no row: as usual. Entries of a club are
// written one after the other behind its lock, since each says its number.
func LockBooks(b *postgres.Batch) *postgres.Rows[Books] {
	return postgres.Query[Books](b, `select entries, closed_until, year_begins, version from books where club_id = $1 for no key update`, b.Club)
}

// Of is the one row, or the usual.
func Of(rows *postgres.Rows[Books]) Books {
	if len(rows.Items) == 0 {
		return Usual
	}
	return rows.Items[0]
}

// Closed is the problem of an entry on a day that is closed.
func (k Books) Closed(on time.Time) *problem.Error {
	if k.ClosedUntil == nil || on.After(*k.ClosedUntil) {
		return nil
	}
	return booksClosed(*k.ClosedUntil)
}

func booksClosed(until time.Time) *problem.Error {
	return problem.New(problem.NotAllowedNow, "The books are closed until %s. Book it on a later day; what was wrong before is reversed in the open time.", until.Format(time.DateOnly))
}

// Book writes i as an entry by actor. Wrong is what the intent's own checks found.
func Book(tx *postgres.Tx, actor uuid.UUID, books Books, i Intent) (Entry, error) {
	e := Entry{ID: uuid.Must(uuid.NewV7()), Number: books.Entries + 1, BookedOn: i.On, Kind: i.Kind, Reason: i.Reason, MemberID: i.MemberID, ToolID: i.ToolID,
		Minor: i.Amount.Minor, Currency: string(i.Amount.Currency), Note: i.Note, ByMember: actor, RecordedAt: tx.Now.UTC().Truncate(time.Microsecond)}
	return e.write(tx, books, i.postings())
}

// Reverse writes the entry that undoes e, on a day that is open.
func Reverse(tx *postgres.Tx, actor uuid.UUID, books Books, e Entry, on time.Time, note string) (Entry, error) {
	switch {
	case e.Kind == Reversal:
		return Entry{}, problem.New(problem.NotAllowedNow, "Entry %d reverses another; book anew what was right.", e.Number)
	case e.ReversedBy != nil:
		return Entry{}, problem.New(problem.NotAllowedNow, "Entry %d was reversed already.", e.Number)
	}
	r := Entry{ID: uuid.Must(uuid.NewV7()), Number: books.Entries + 1, BookedOn: on, Kind: Reversal, MemberID: e.MemberID, ToolID: e.ToolID, Minor: e.Minor, Currency: e.Currency,
		Note: note, ByMember: actor, RecordedAt: tx.Now.UTC().Truncate(time.Microsecond), Reverses: &e.ID}
	var lines []posting
	for _, p := range e.Postings {
		lines = append(lines, posting{p.Account, p.MemberID, p.ToolID, -p.Minor})
	}
	return r.write(tx, books, lines)
}

func (e Entry) write(tx *postgres.Tx, books Books, lines []posting) (Entry, error) {
	if err := books.Closed(e.BookedOn); err != nil {
		return Entry{}, err
	}
	var kinds []string
	var members, tools []*uuid.UUID
	var minors []int64
	for _, p := range lines {
		kinds, members, tools, minors = append(kinds, p.account), append(members, p.member), append(tools, p.tool), append(minors, p.minor)
		e.Postings = append(e.Postings, Posting{Account: p.account, MemberID: p.member, ToolID: p.tool, Minor: p.minor})
	}
	if books.Entries == 0 { // there may have been no row to lock: make it or lock it now, before any account
		tx.Queue(`insert into books as b (club_id, year_begins) values ($1, $2) on conflict (club_id) do update set version = b.version`, tx.Club, books.YearBegins)
	}
	tx.Queue(`insert into account (club_id, id, kind, member_id, tool_id, currency)
		select $1, gen_random_uuid(), kind, member, tool, $2 from (select distinct kind, member, tool from unnest($3::text[], $4::uuid[], $5::uuid[]) as l(kind, member, tool)) l
		on conflict do nothing`, tx.Club, e.Currency, kinds, members, tools)
	tx.Queue(`insert into entry (club_id, id, number, booked_on, kind, reason, member_id, tool_id, minor, currency, note, lines, by_member, recorded_at, reverses)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
		tx.Club, e.ID, e.Number, e.BookedOn, e.Kind, e.Reason, e.MemberID, e.ToolID, e.Minor, e.Currency, e.Note, len(lines), e.ByMember, e.RecordedAt, e.Reverses).
		RunAgainOn("entry_number_is_next").RunAgainOn("books_are_open").RunAgainOn("entry_reversed_once"). // decided anew, on what is there then
		Refuse("books_open_once", problem.New(problem.NotAllowedNow, "The books have their opening. Reverse that entry, then give it anew; GET the books shows which it is.")).
		Refuse("books_open_first", problem.New(problem.NotAllowedNow, "Something is booked on an earlier day, and an opening comes before all else. Give the day before it, with what there was then.")).
		Refuse("books_begin", problem.New(problem.NotAllowedNow, "The books begin later than that: what was before is in their opening. Book it on a later day, or reverse the opening and give it anew."))
	tx.Queue(`insert into posting (club_id, entry_id, line, account_id, currency, minor)
		select $1, $2, l.line - 1, a.id, $3, l.minor
		from unnest($4::text[], $5::uuid[], $6::uuid[], $7::bigint[]) with ordinality as l(kind, member, tool, minor, line)
		join account a on a.club_id = $1 and a.kind = l.kind and a.of_id = coalesce(l.member, l.tool, '00000000-0000-0000-0000-000000000000')
		order by l.line`, tx.Club, e.ID, e.Currency, kinds, members, tools, minors).
		Refuse("deposit_is_held", problem.New(problem.NotAllowedNow, "The club holds less of this member's than that; GET their statement shows how much."))
	journal.Append(tx, journal.Event{Type: "ledger.booked", Subject: e.ID, Version: 1, Audience: journal.ForOfficers, Actor: e.ByMember}, e.sealed())
	return e, nil
}

// Version is 2 once the entry was reversed, which is all that can happen to it.
func (e Entry) Version() int64 {
	if e.ReversedBy != nil {
		return 2
	}
	return 1
}

// seal is what of an entry the journal's digest binds: all but people's words.
type seal struct {
	ID         uuid.UUID
	Number     int64
	BookedOn   string
	Kind       string
	Reason     string
	MemberID   *uuid.UUID
	ToolID     *uuid.UUID
	Minor      int64
	Currency   string
	ByMember   uuid.UUID
	RecordedAt time.Time
	Reverses   *uuid.UUID
	Postings   []Posting
}

func (e Entry) sealed() seal {
	return seal{e.ID, e.Number, e.BookedOn.Format(time.DateOnly), e.Kind, e.Reason, e.MemberID, e.ToolID, e.Minor, e.Currency, e.ByMember, e.RecordedAt.UTC(), e.Reverses, e.Postings}
}

// FindEntryOfRow looks up the entry of a row of the bank.
func FindEntryOfRow(b *postgres.Batch, row uuid.UUID) *postgres.Rows[Entry] {
	return postgres.Query[Entry](b, selectEntries+`and e.id = (select w.entry_id from bank_row w where w.club_id = $1 and w.id = $2)`, b.Club, row)
}

// EveryEntry lists all entries, oldest first.
func EveryEntry(b *postgres.Batch) *postgres.Rows[Entry] {
	return postgres.Query[Entry](b, selectEntries+`order by e.number`, b.Club)
}
