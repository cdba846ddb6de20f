package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Fault is something in the books that cannot be as it was written.
type Fault struct {
	Club  string // slug
	Entry int64  // number; 0: none
	What  string
}

func (f Fault) String() string {
	if f.Entry == 0 {
		return fmt.Sprintf("club %s: %s", f.Club, f.What)
	}
	return fmt.Sprintf("club %s, entry %d: %s", f.Club, f.Entry, f.What)
}

// written is an entry with what the journal says of it.
type written struct {
	Entry
	Slug   string
	Digest []byte // nil: the journal knows nothing of it
}

// Verify reads all books of all clubs in tx, a snapshot of somebody who sees them,
// and names what does not hold: entries other than the journal's digest says, journal
// events without their entry, entries that do not balance or do not mirror what they
// reverse, numbers with gaps, balances that are not the sum of their postings. It tells
// how many entries it read.
func Verify(ctx context.Context, tx pgx.Tx) (entries int, faults []Fault, err error) {
	rows, err := tx.Query(ctx, `
		select c.slug, e.id, e.number, e.booked_on, e.kind, e.reason, e.member_id, '' as member, e.tool_id, '' as tool, e.minor, e.currency::text as currency, e.note, e.by_member, e.recorded_at,
		       e.reverses, null::uuid as reversed_by,
		       (select jsonb_agg(jsonb_build_object('account', a.kind, 'member_id', a.member_id, 'tool_id', a.tool_id, 'minor', p.minor) order by p.line)
		        from public.posting p join public.account a on a.club_id = p.club_id and a.id = p.account_id where p.club_id = e.club_id and p.entry_id = e.id) as postings,
		       (select v.digest from public.event v where v.club_id = e.club_id and v.subject = e.id and v.type = 'ledger.booked') as digest
		from public.entry e join public.club c on c.club_id = e.club_id
		order by e.club_id, e.number`)
	if err != nil {
		return 0, nil, fmt.Errorf("read the entries: %w", err)
	}
	slug, next := "", int64(1)
	kept := map[uuid.UUID]Entry{} // of one club
	for rows.Next() {
		w, err := pgx.RowToStructByName[written](rows)
		if err != nil {
			return 0, nil, fmt.Errorf("read an entry: %w", err)
		}
		if w.Slug != slug {
			slug, next = w.Slug, 1
			clear(kept)
		}
		entries++
		fault := func(format string, args ...any) {
			faults = append(faults, Fault{slug, w.Number, fmt.Sprintf(format, args...)})
		}
		if w.Number != next {
			fault("is not number %d, which should follow", next)
		}
		next = w.Number + 1
		text, err := json.Marshal(w.sealed())
		if err != nil {
			return 0, nil, fmt.Errorf("seal an entry: %w", err)
		}
		switch digest := sha256.Sum256(text); {
		case w.Digest == nil:
			fault("stands in no journal")
		case !bytes.Equal(digest[:], w.Digest):
			fault("is not what the journal says was written")
		}
		sum := int64(0)
		for _, p := range w.Postings {
			sum += p.Minor
		}
		if sum != 0 || len(w.Postings) < 2 {
			fault("has %d lines that add up to %d", len(w.Postings), sum)
		}
		if w.Reverses != nil && !mirrors(w.Entry, kept[*w.Reverses]) {
			fault("does not mirror what it reverses")
		}
		kept[w.ID] = w.Entry
	}
	if err := rows.Err(); err != nil {
		return 0, nil, fmt.Errorf("read the entries: %w", err)
	}
	err = sums(ctx, tx, &faults)
	return entries, faults, err
}

func mirrors(e, of Entry) bool {
	if len(e.Postings) != len(of.Postings) {
		return false
	}
	same := func(a, b *uuid.UUID) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }
	for i, p := range e.Postings {
		if q := of.Postings[i]; p.Account != q.Account || p.Minor != -q.Minor || !same(p.MemberID, q.MemberID) || !same(p.ToolID, q.ToolID) {
			return false
		}
	}
	return true
}

// sums are the checks that one query each makes of all clubs.
func sums(ctx context.Context, tx pgx.Tx, faults *[]Fault) error {
	for _, check := range []string{
		`select c.slug, 0::bigint, 'the journal tells of an entry ' || v.subject || ' that is gone' from public.event v join public.club c on c.club_id = v.club_id
			where v.type = 'ledger.booked' and not exists (select from public.entry e where e.club_id = v.club_id and e.id = v.subject)`,
		`select c.slug, 0::bigint, format('%s entries were numbered and %s are there', b.entries, (select count(*) from public.entry e where e.club_id = b.club_id)) from public.books b
			join public.club c on c.club_id = b.club_id where b.entries <> (select count(*) from public.entry e where e.club_id = b.club_id)`,
		`select c.slug, p.entry_number, format('line %s leaves its account at %s, and the lines up to it add up to %s', p.line, p.balance, p.total)
			from (select p.*, sum(p.minor) over (partition by p.club_id, p.account_id order by p.entry_number, p.line) as total from public.posting p) p
			join public.club c on c.club_id = p.club_id where p.balance <> p.total`,
		`select c.slug, 0::bigint, format('the account %s (%s) stands at %s, and its lines add up to %s', a.id, a.kind, a.balance, coalesce(s.total, 0))
			from public.account a join public.club c on c.club_id = a.club_id
			left join (select club_id, account_id, sum(minor) as total from public.posting group by 1, 2) s on s.club_id = a.club_id and s.account_id = a.id
			where a.balance <> coalesce(s.total, 0)`,
		`select c.slug, e.number, 'is booked on a day that was closed when it was recorded' from public.entry e join public.club c on c.club_id = e.club_id
			where exists (select from public.closing k where k.club_id = e.club_id and k.closed_until >= e.booked_on and k.recorded_at < e.recorded_at)`,
	} {
		rows, err := tx.Query(ctx, check)
		if err != nil {
			return fmt.Errorf("add the books up: %w", err)
		}
		found, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Fault])
		if err != nil {
			return fmt.Errorf("add the books up: %w", err)
		}
		*faults = append(*faults, found...)
	}
	return nil
}
