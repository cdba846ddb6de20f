package lending

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Rules are by what a club lends.
type Rules struct {
	LongestLoanDays    int
	DaysAhead          int
	AtOnce             int    // tools reserved or out to one member
	ApprovalFromMinor  *int64 // what is worth as much needs an approval; nil: nothing by its value
	FairSharePercent   *int   // nil: no such rule
	FairShareDays      int
	FairShareFreeHours int
	DepositAtHandout   bool
	LateBorrowersWait  bool
	TravelMinutes      int // between garages that nothing else is said of
	OfferHours         int
	WalkInDays         int
	Version            int64
}

// DefaultRules are those of a club that has set none; the table's columns have
// the same defaults.
func DefaultRules() Rules {
	return Rules{LongestLoanDays: 90, DaysAhead: 400, AtOnce: 40, FairShareDays: 28, FairShareFreeHours: 48, TravelMinutes: 60, OfferHours: 24, WalkInDays: 3, Version: 1}
}

const ruleColumns = `longest_loan_days, days_ahead, at_once, approval_from_minor, fair_share_percent, fair_share_days, fair_share_free_hours,
	deposit_at_handout, late_borrowers_wait, travel_minutes, offer_hours, walk_in_days, version`

// ClubRules is the result of FindRules; the defaults until its batch was sent.
type ClubRules struct{ rows *postgres.Rows[Rules] }

// FindRules looks up the club's rules.
func FindRules(b *postgres.Batch) ClubRules {
	return ClubRules{postgres.Query[Rules](b, `select `+ruleColumns+` from lending_rule where club_id = $1`, b.Club)}
}

// LockRules is FindRules for a change of them. A club without a row has nothing to
// lock, so its club's row is.
func LockRules(b *postgres.Batch) ClubRules {
	postgres.Values[uuid.UUID](b, `select club_id from club where club_id = $1 for no key update`, b.Club)
	return FindRules(b)
}

// Get returns the rules, the defaults where the club has set none.
func (r ClubRules) Get() Rules {
	if len(r.rows.Items) == 0 {
		return DefaultRules()
	}
	return r.rows.Items[0]
}

// ChangeRules writes r as the next version. What is promised already stays.
func ChangeRules(tx *postgres.Tx, actor uuid.UUID, r Rules) Rules {
	r.Version++
	tx.Queue(`
		insert into lending_rule (club_id, `+ruleColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
		on conflict (club_id) do update set (`+ruleColumns+`) = row ($2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
		tx.Club, r.LongestLoanDays, r.DaysAhead, r.AtOnce, r.ApprovalFromMinor, r.FairSharePercent, r.FairShareDays, r.FairShareFreeHours,
		r.DepositAtHandout, r.LateBorrowersWait, r.TravelMinutes, r.OfferHours, r.WalkInDays, r.Version)
	journal.Append(tx, journal.Event{Type: "lending_rule.changed", Subject: tx.Club, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return r
}

// Breach is one rule of the club that a wish breaks.
type Breach struct {
	Rule    string  `json:"rule"`
	Limit   float64 `json:"limit"`
	WouldBe float64 `json:"would_be"`
	Detail  string  `json:"detail"`
}

// AgainstRules is the problem that breaches make of what was not done; nil for none.
func AgainstRules(undone string, breaches []Breach) error {
	if len(breaches) == 0 {
		return nil
	}
	first := breaches[0]
	detail := undone
	for _, b := range breaches {
		detail += " " + b.Detail
	}
	return &problem.Error{Kind: problem.AgainstRules, Detail: detail,
		Members: map[string]any{"rule": first.Rule, "limit": first.Limit, "would_be": first.WouldBe, "broken": breaches}}
}

// promise is what a member was promised: a tool of a model for a time.
type promise struct {
	ModelID  uuid.UUID
	Starts   time.Time
	Ends     time.Time
	State    string
	Promised time.Time // when
	Booking  uuid.UUID // its reservation
	Line     int
}

// openLoan is a tool that the member has.
type openLoan struct {
	Number string
	Due    time.Time
}

type modelCount struct {
	ModelID   uuid.UUID
	Code      string
	InService int
}

// borrower is who is to be promised something, locked, with all that the
// rules ask of them.
type borrower struct {
	who      *postgres.Rows[borrowerRow]
	promises *postgres.Rows[promise]
	loans    *postgres.Rows[openLoan]
	shown    *postgres.Rows[shownHow]
	counts   *postgres.Rows[modelCount]
}

type borrowerRow struct {
	ID    uuid.UUID
	Roles []string
}

// Borrower is whom tools are promised to, by id or by a query.
type Borrower struct {
	query string
	key   any
}

// Member is the borrower with that id.
func Member(id uuid.UUID) Borrower { return Borrower{query: `select $2::uuid`, key: id} }

// Holder is the borrower whom query gives by the club ($1) and key ($2), for when
// the id is known only once the first round trip is back.
func Holder(query string, key []byte) Borrower { return Borrower{query: query, key: key} }

// lockBorrower locks the member's row, before any tool's, so that two wishes of
// one member are measured against the rules one after the other.
func lockBorrower(b *postgres.Batch, who Borrower) borrower {
	out := borrower{}
	out.who = postgres.Query[borrowerRow](b, `select id, roles from member where club_id = $1 and id = (`+who.query+`) for no key update`, b.Club, who.key)
	return out
}

// lookAround queues what the rules ask of who's other promises. Served by booking_of_member,
// booking_out_of_member, loan_open_of_member and certificate_of_member.
func (w *borrower) lookAround(b *postgres.Batch, who Borrower, now time.Time) {
	const columns = `t.model_id, lower(b.period) as starts, upper(b.period) as ends, b.state, r.created_at as promised, b.reservation_id as booking, b.line`
	const joined = `booking b join tool t on t.club_id = b.club_id and t.id = b.tool_id join reservation r on r.club_id = b.club_id and r.id = b.reservation_id`
	w.promises = postgres.Query[promise](b, `
		select `+columns+` from `+joined+`
		where b.club_id = $1 and b.member_id = (`+who.query+`) and b.state in ('reserved', 'returned')
		and b.held_until > $3::timestamptz - make_interval(days => coalesce((select fair_share_days from lending_rule where club_id = $1 and fair_share_percent is not null), 0))
		union all
		select `+columns+` from `+joined+` where b.club_id = $1 and b.member_id = (`+who.query+`) and b.state = 'out'`, b.Club, who.key, now)
	w.loans = postgres.Query[openLoan](b, `
		select t.number, upper(b.period) as due from loan l
		join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
		join tool t on t.club_id = l.club_id and t.id = l.tool_id
		where l.club_id = $1 and l.member_id = (`+who.query+`) and l.ended is null order by 2`, b.Club, who.key)
	w.shown = postgres.Query[shownHow](b, `
		select model_id, expires_on from certificate where club_id = $1 and member_id = (`+who.query+`) and withdrawn_at is null`, b.Club, who.key)
}

// isClerk reports whether the borrower keeps tools or runs the club: they plan
// further ahead, and need nobody's approval.
func (w borrower) isClerk() bool {
	return len(w.who.Items) == 1 && (slices.Contains(w.who.Items[0].Roles, "tool_keeper") || slices.Contains(w.who.Items[0].Roles, "officer"))
}

// id is the borrower's; the zero id of nobody.
func (w borrower) id() uuid.UUID {
	if len(w.who.Items) == 1 {
		return w.who.Items[0].ID
	}
	return uuid.Nil
}

// breaches measures chosen, what is about to be booked at now, against r. left are lines
// that chosen takes the place of, or that are given up; fresh is how many of chosen were not booked before.
func (w borrower) breaches(r Rules, chosen []option, left leaving, fresh int, now time.Time) []Breach {
	if len(chosen) == 0 {
		return nil
	}
	var out []Breach
	var longest, ahead option
	for _, o := range chosen {
		if longest.tool == nil || o.period.Until.Sub(o.period.From) > longest.period.Until.Sub(longest.period.From) {
			longest = o
		}
		if ahead.tool == nil || o.period.Until.After(ahead.period.Until) {
			ahead = o
		}
	}
	if limit := time.Duration(r.LongestLoanDays) * day; longest.period.Until.Sub(longest.period.From) > limit {
		long := longest.period.Until.Sub(longest.period.From)
		out = append(out, Breach{Rule: "longest_loan_days", Limit: float64(r.LongestLoanDays), WouldBe: inDays(long),
			Detail: fmt.Sprintf("The club lends for %d days at most, and %s would be lent for %g; end it earlier, and extend it when it is out.", r.LongestLoanDays, longest.tool.Number, inDays(long))})
	}
	if limit := now.Add(time.Duration(r.DaysAhead) * day); ahead.period.Until.After(limit) && !w.isClerk() {
		out = append(out, Breach{Rule: "days_ahead", Limit: float64(r.DaysAhead), WouldBe: inDays(ahead.period.Until.Sub(now)),
			Detail: fmt.Sprintf("Members reserve %d days ahead at most, that is until %s; end it by then, or ask a tool keeper.", r.DaysAhead, inWords(limit, ahead.tool.place.Zone))})
	}
	if fresh == 0 {
		return append(out, w.unfair(r, chosen, left, now)...)
	}
	open := 0
	for _, p := range w.promises.Items {
		if p.State == "out" || p.State == "reserved" && p.Ends.After(now) && !left.has(p.Booking, p.Line) {
			open++
		}
	}
	if open+len(chosen) > r.AtOnce {
		out = append(out, Breach{Rule: "at_once", Limit: float64(r.AtOnce), WouldBe: float64(open + len(chosen)),
			Detail: fmt.Sprintf("One member has %d tools reserved or out at most; %d are so now, and this asks for %d. Ask for fewer, or return or cancel some first.", r.AtOnce, open, len(chosen))})
	}
	if late := w.late(now); r.LateBorrowersWait && len(late) > 0 {
		out = append(out, Breach{Rule: "late_borrowers_wait", Limit: 0, WouldBe: float64(len(late)),
			Detail: fmt.Sprintf("Whoever has a tool late reserves nothing new: %s was due %s. Bring it back, or have the loan extended, and send the request again.", late[0].Number, inWords(late[0].Due, longest.tool.place.Zone))})
	}
	return append(out, w.unfair(r, chosen, left, now)...)
}

func (w borrower) late(now time.Time) []openLoan {
	var out []openLoan
	for _, l := range w.loans.Items {
		if l.Due.Before(now) {
			out = append(out, l)
		}
	}
	return out
}

// inDays is d in days, to a tenth.
func inDays(d time.Duration) float64 { return float64(int64(d.Hours()/24*10+0.999999)) / 10 }

// Summary tells r in words; approvalFrom is the value from which tools need an
// approval, in words, or empty.
func (r Rules) Summary(approvalFrom string) string {
	out := fmt.Sprintf("Loans are %d days long at most, members reserve %d days ahead, and one member has %d tools at once.", r.LongestLoanDays, r.DaysAhead, r.AtOnce)
	if approvalFrom != "" {
		out += " Tools worth " + approvalFrom + " or more need an approval."
	}
	if r.FairSharePercent != nil {
		out += fmt.Sprintf(" In any %d days one member is promised at most %d %% of the time of a model's tools; what begins within %d hours of being reserved is anybody's.", r.FairShareDays, *r.FairSharePercent, r.FairShareFreeHours)
	}
	if r.DepositAtHandout {
		out += " A tool with a deposit goes out only when it was taken."
	}
	if r.LateBorrowersWait {
		out += " Who has a tool late reserves nothing new."
	}
	return out + fmt.Sprintf(" Who waits has %d hours to answer an offer. Tools that nobody reserved go out for %d days.", r.OfferHours, r.WalkInDays)
}
