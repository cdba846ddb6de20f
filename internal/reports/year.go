package reports

import (
	"cmp"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
)

// Sections of a year, in their order.
const (
	Bank     = "bank"     // what the club has
	Members  = "members"  // what each owes
	Tools    = "tools"    // what they were bought for
	Deposits = "deposits" // what is held of each member
	Fund     = "fund"     // what is put by for tools
	Income   = "income"
	Expense  = "expense"
	Begun    = "opening" // the club's own when the books began
)

// Sections lists them.
func Sections() []string {
	return []string{Bank, Members, Tools, Deposits, Fund, Income, Expense, Begun}
}

// sectionOf is the section of a kind of account, and whether its credits are shown above
// nothing.
func sectionOf(account string) (section string, credit bool) {
	switch account {
	case "bank":
		return Bank, false
	case "member":
		return Members, false
	case "tool":
		return Tools, false
	case "deposit":
		return Deposits, true
	case "fund":
		return Fund, true
	case "charges":
		return Income, true
	case "costs":
		return Expense, false
	default:
		return Begun, true
	}
}

// Sum is what an account was moved by before a year and in it, debits less credits.
type Sum struct {
	Account  string
	MemberID *uuid.UUID
	Member   string
	ToolID   *uuid.UUID
	Tool     string
	Reason   string // of income: what it was for
	Before   int64
	During   int64
}

// Sums adds up every account until p's last day. An amount of income counts to the reason of
// what it undoes.
func Sums(b *postgres.Batch, p Period) *postgres.Rows[Sum] {
	return postgres.Query[Sum](b, `
		with `+span+`, s as (
			select a.id, a.kind, a.member_id, a.tool_id,
			       case when a.kind <> 'charges' then '' when coalesce(o.kind, e.kind) = 'deposit_kept' then 'deposit_kept' else coalesce(nullif(coalesce(o.reason, e.reason), ''), 'other') end as reason,
			       sum(p.minor) filter (where e.booked_on < span.begins) as before, sum(p.minor) filter (where e.booked_on >= span.begins) as during
			from span
			join entry e on e.club_id = $1 and e.booked_on <= span.ends
			join posting p on p.club_id = e.club_id and p.entry_id = e.id
			join account a on a.club_id = p.club_id and a.id = p.account_id
			left join entry o on o.club_id = e.club_id and o.id = e.reverses
			group by 1, 2, 3, 4, 5)
		select s.kind as account, s.member_id, coalesce((select m.number from member m where m.club_id = $1 and m.id = s.member_id), '') as member,
		       s.tool_id, coalesce((select t.number from tool t where t.club_id = $1 and t.id = s.tool_id), '') as tool, s.reason, coalesce(s.before, 0)::bigint as before, coalesce(s.during, 0)::bigint as during
		from s`, append([]any{b.Club}, p.args()...)...)
}

// Line is one line of a year; amounts are above nothing on the side that is usual for
// its section.
type Line struct {
	Section  string
	MemberID *uuid.UUID
	Member   string
	ToolID   *uuid.UUID
	Tool     string
	Reason   string
	Opening  int64
	Change   int64
}

// Closing is what stands at the end.
func (l Line) Closing() int64 { return l.Opening + l.Change }

// Annual is a financial year added up.
type Annual struct {
	Year  ledger.Year
	Lines []Line          // in the order of the sections, those that nothing stands in and nothing moved left out
	Total map[string]Line // by section
}

// Annually adds a year up of its sums.
func Annually(y ledger.Year, sums []Sum) Annual {
	a := Annual{Year: y, Total: map[string]Line{}}
	for _, section := range Sections() {
		a.Total[section] = Line{Section: section}
	}
	for _, s := range sums {
		section, credit := sectionOf(s.Account)
		l := Line{Section: section, MemberID: s.MemberID, Member: s.Member, ToolID: s.ToolID, Tool: s.Tool, Reason: s.Reason, Opening: s.Before, Change: s.During}
		if credit {
			l.Opening, l.Change = -l.Opening, -l.Change
		}
		total := a.Total[section]
		total.Opening, total.Change = total.Opening+l.Opening, total.Change+l.Change
		a.Total[section] = total
		if l.Opening != 0 || l.Change != 0 {
			a.Lines = append(a.Lines, l)
		}
	}
	slices.SortFunc(a.Lines, func(x, y Line) int {
		return cmp.Or(cmp.Compare(slices.Index(Sections(), x.Section), slices.Index(Sections(), y.Section)), cmp.Compare(x.Member, y.Member), cmp.Compare(x.Tool, y.Tool), cmp.Compare(x.Reason, y.Reason))
	})
	return a
}

// Result is what the year's income left over its expense.
func (a Annual) Result() int64 { return a.Total[Income].Change - a.Total[Expense].Change }

// Own is what the club has of its own: all there is, less what is held of members and put by for tools.
func (a Annual) Own() Line {
	sum := func(of func(Line) int64) int64 {
		return of(a.Total[Bank]) + of(a.Total[Members]) + of(a.Total[Tools]) - of(a.Total[Deposits]) - of(a.Total[Fund])
	}
	return Line{Section: "own", Opening: sum(func(l Line) int64 { return l.Opening }), Change: sum(func(l Line) int64 { return l.Change })}
}

// Odd is by how much the books do not add up, before the year and in it: nothing, unless
// they were tampered with.
func (a Annual) Odd() (before, during int64) {
	own, own0 := a.Own(), a.Total[Begun]
	return own.Opening - own0.Opening - a.Total[Income].Opening + a.Total[Expense].Opening,
		own.Change - own0.Change - a.Result()
}
