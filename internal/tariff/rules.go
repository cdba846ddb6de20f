package tariff

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Rules are an edition of by what rules the club charges.
type Rules struct {
	ID            uuid.UUID
	Number        int64 // 1, 2, 3 …; 0: what is usual, which is nothing
	ValidFrom     time.Time
	LateMinor     int64  // a day, for one tool
	LateMostMinor *int64 // for one loan; nil: no limit
	LateGraceDays int
	LeastMinor    int64            // for one loan
	Consumables   map[string]int64 // for a unit of use, by kind of tool
	Exempt        []string         // who pays for damage only
	Note          string           `json:"-"` // people's words stay out of the journal
	MemberID      uuid.UUID
	RecordedAt    time.Time
}

const ruleColumns = `id, number, valid_from, late_minor, late_most_minor, late_grace_days, least_minor, consumables, exempt, note, member_id, recorded_at`

// ListRules lists editions, newest first, with numbers below before. Served by
// charge_rule_edition.
func ListRules(b *postgres.Batch, before int64, limit int) *postgres.Rows[Rules] {
	return postgres.Query[Rules](b, `select `+ruleColumns+` from charge_rule where club_id = $1 and number < $2 order by number desc limit $3`, b.Club, before, limit)
}

// RulesOn is the edition that is valid on a day; no row: as usual.
func RulesOn(b *postgres.Batch, day time.Time) *postgres.Rows[Rules] {
	return postgres.Query[Rules](b, `select `+ruleColumns+` from charge_rule where club_id = $1 and valid_from <= $2::date order by number desc limit 1`, b.Club, day)
}

// NewestRules is the newest edition, which may not be valid yet.
func NewestRules(b *postgres.Batch) *postgres.Rows[Rules] { return ListRules(b, 1<<62, 1) }

// validFrom refuses a day on which an edition cannot begin.
func validFrom(from, newest, now time.Time) error {
	today := now.UTC().Truncate(24 * time.Hour)
	switch {
	case from.Before(today):
		return problem.Invalid(problem.Fault{Pointer: "/valid_from", Detail: "lies in the past, and nobody is charged by rules that were made after they borrowed; give " + today.Format(time.DateOnly) + " or later"})
	case from.After(today.AddDate(2, 0, 0)):
		return problem.Invalid(problem.Fault{Pointer: "/valid_from", Detail: "is more than two years ahead; give an earlier day"})
	case from.Before(newest):
		return problem.Invalid(problem.Fault{Pointer: "/valid_from", Detail: "is before the newest edition's day, " + newest.Format(time.DateOnly) + "; give that day, to take its place, or a later one"})
	}
	return nil
}

// newestOf is the number and the first day of the newest edition.
func newestOf[E any](rows *postgres.Rows[E], of func(E) (int64, time.Time)) (int64, time.Time) {
	if len(rows.Items) == 0 {
		return 0, time.Time{}
	}
	return of(rows.Items[0])
}

// AddRules records r as the next edition after newest.
func AddRules(tx *postgres.Tx, newest *postgres.Rows[Rules], r Rules) (Rules, error) {
	number, day := newestOf(newest, func(e Rules) (int64, time.Time) { return e.Number, e.ValidFrom })
	if err := validFrom(r.ValidFrom, day, tx.Now); err != nil {
		return r, err
	}
	r.ID, r.Number, r.RecordedAt = uuid.Must(uuid.NewV7()), number+1, kept(tx.Now)
	tx.Queue(`insert into charge_rule (club_id, `+ruleColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		tx.Club, r.ID, r.Number, r.ValidFrom, r.LateMinor, r.LateMostMinor, r.LateGraceDays, r.LeastMinor, r.Consumables, r.Exempt, r.Note, r.MemberID, r.RecordedAt).
		RunAgainOn("charge_rule_edition")
	journal.Append(tx, journal.Event{Type: "charge_rules.set", Subject: r.ID, Version: 1, Audience: journal.ForClub, Actor: r.MemberID}, r)
	return r, nil
}

// kept is a time as the database keeps it.
func kept(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// Summary tells the rules in words.
func (r Rules) Summary(currency string) string {
	text := func(minor int64) string {
		return money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()
	}
	var out []string
	if r.LateMinor > 0 {
		late := "Each day late costs " + text(r.LateMinor) + " for each tool"
		if r.LateGraceDays > 0 {
			late += fmt.Sprintf(", after %s of grace", count(int64(r.LateGraceDays), "day", "days"))
		}
		if r.LateMostMinor != nil {
			late += ", and " + text(*r.LateMostMinor) + " at most"
		}
		out = append(out, late+".")
	} else {
		out = append(out, "Nothing is charged for bringing tools back late.")
	}
	var kinds []string
	for kind, minor := range r.Consumables {
		if minor > 0 {
			kinds = append(kinds, kind)
		}
	}
	slices.Sort(kinds)
	for i, kind := range kinds {
		kinds[i] = text(r.Consumables[kind]) + " for each unit of use of a " + strings.ReplaceAll(kind, "_", " ")
	}
	if len(kinds) > 0 {
		out = append(out, "Consumables: "+strings.Join(kinds, ", ")+".")
	}
	if r.LeastMinor > 0 {
		out = append(out, "A loan costs "+text(r.LeastMinor)+" at least.")
	}
	for _, who := range r.Exempt {
		out = append(out, exempted[who]+" pay for damage only.")
	}
	return strings.Join(out, " ")
}

var exempted = map[string]string{"guests": "Guests", "tool_keepers": "Tool keepers", "officers": "Officers", "treasurers": "Treasurers"}

// count is n of something, in words.
func count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
