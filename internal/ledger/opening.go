package ledger

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Beginning is what there was when the books began.
type Beginning struct {
	On       time.Time
	Currency string
	Bank     int64  // what the bank held; below 0: what it was owed
	Fund     int64  // of that, put by for tools
	Owed     []Part // by members; below 0: to them
	Held     []Part // of members
	Tools    []Part // what the books say that they are worth
	Note     string
}

// Part is an amount of a member or of a tool.
type Part struct {
	Of    uuid.UUID
	Minor int64
}

// mostLines is how many lines an entry may have; the table says so too.
const mostLines = 400

// postings are the lines of a beginning: what there is on one side, whose it is on
// the other, and what is left over as the club's own.
func (g Beginning) postings() []posting {
	var lines []posting
	total := int64(0)
	add := func(p posting) {
		if p.minor != 0 {
			lines = append(lines, p)
			total += p.minor
		}
	}
	add(posting{account: bank, minor: g.Bank})
	add(posting{account: fund, minor: -g.Fund})
	for _, p := range g.Owed {
		add(posting{account: owed, member: &p.Of, minor: p.Minor})
	}
	for _, p := range g.Held {
		add(posting{account: deposit, member: &p.Of, minor: -p.Minor})
	}
	for _, p := range g.Tools {
		add(posting{account: bought, tool: &p.Of, minor: p.Minor})
	}
	add(posting{account: opening, minor: -total})
	return lines
}

// Begin writes what there was when the books began.
func Begin(tx *postgres.Tx, actor uuid.UUID, books Books, g Beginning) (Entry, error) {
	lines := g.postings()
	if len(lines) == 0 {
		return Entry{}, problem.Invalid(problem.Fault{Pointer: "", Detail: "there is no amount in it: books of a club that had nothing need no opening"})
	}
	if len(lines) > mostLines {
		return Entry{}, problem.Invalid(problem.Fault{Pointer: "", Detail: "has more than 399 amounts; leave out the smallest tools, and buy them from the club's own by an entry of each"})
	}
	e := Entry{ID: uuid.Must(uuid.NewV7()), Number: books.Entries + 1, BookedOn: g.On, Kind: Opening, Currency: g.Currency, Note: g.Note, ByMember: actor,
		RecordedAt: tx.Now.UTC().Truncate(time.Microsecond)}
	for _, p := range lines {
		e.Minor += max(p.minor, 0)
	}
	return e.write(tx, books, lines)
}

// Standing is what the books are, told to people.
type Standing struct {
	Books
	BeginsOn *time.Time // the day of the opening that stands
	Opening  *uuid.UUID
}

// FindStanding looks up what the books are.
func FindStanding(b *postgres.Batch) *postgres.Rows[Standing] {
	return postgres.Query[Standing](b, `
		select coalesce(k.entries, 0) as entries, k.closed_until, coalesce(k.year_begins, '01-01') as year_begins, coalesce(k.version, 1) as version, o.booked_on as begins_on, o.id as opening
		from club c left join books k using (club_id)
		left join lateral (select e.id, e.booked_on from entry e where e.club_id = $1 and e.kind = 'opening'
			and not exists (select from entry r where r.club_id = e.club_id and r.reverses = e.id) order by e.number limit 1) o on true
		where c.club_id = $1`, b.Club)
}

// LockStanding is FindStanding for a change. A club without a row has none to lock, so
// its club's row is.
func LockStanding(b *postgres.Batch) *postgres.Rows[Standing] {
	postgres.Values[uuid.UUID](b, `select club_id from club where club_id = $1 for no key update`, b.Club)
	LockBooks(b)
	return FindStanding(b)
}

// SetYear writes on which day, such as 04-01, the club's financial year begins, as the
// next version of its books.
func SetYear(tx *postgres.Tx, actor uuid.UUID, s Standing, begins string) Standing {
	s.YearBegins = begins
	s.Version++
	tx.Queue(`insert into books (club_id, year_begins, version) values ($1, $2, $3) on conflict (club_id) do update set year_begins = $2, version = $3`, tx.Club, s.YearBegins, s.Version)
	journal.Append(tx, journal.Event{Type: "ledger.year_set", Subject: tx.Club, Version: s.Version, Audience: journal.ForOfficers, Actor: actor}, s.YearBegins)
	return s
}

// Year is a financial year by its first and its last day.
type Year struct{ From, Until time.Time }

// YearFrom is the financial year that begins in the calendar year begins.
func (k Books) YearFrom(begins int) Year {
	first, err := time.Parse("2006-01-02", time.Date(begins, 1, 1, 0, 0, 0, 0, time.UTC).Format("2006")+"-"+k.YearBegins)
	if err != nil {
		panic("ledger: a year that begins on " + k.YearBegins) // the table takes days that every year has
	}
	return Year{first, first.AddDate(1, 0, -1)}
}

// YearOf is the financial year of a day.
func (k Books) YearOf(day time.Time) Year {
	if y := k.YearFrom(day.Year()); !day.Before(y.From) {
		return y
	}
	return k.YearFrom(day.Year() - 1)
}

// Text names the year.
func (y Year) Text() string {
	if y.From.YearDay() == 1 {
		return y.From.Format("2006")
	}
	return y.From.Format("2 Jan 2006") + " to " + y.Until.Format("2 Jan 2006")
}

// Summary tells what the books are.
func (s Standing) Summary(today time.Time) string {
	text := "No entries yet."
	if s.Entries == 1 {
		text = "1 entry."
	} else if s.Entries > 1 {
		text = fmt.Sprintf("%d entries.", s.Entries)
	}
	text += " The financial year is " + s.YearOf(today).Text() + "."
	if s.BeginsOn != nil {
		text += " The books begin on " + s.BeginsOn.Format(time.DateOnly) + "."
	}
	if s.ClosedUntil != nil {
		return text + " They are closed until " + s.ClosedUntil.Format(time.DateOnly) + "."
	}
	return text + " Nothing is closed."
}
