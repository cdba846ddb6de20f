package waiting

import (
	"fmt"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Why others are ahead in the line.
const (
	HasOffer    = "has_offer"     // joined earlier and is offered one of the same tools now
	FitsNothing = "fits_nothing"  // joined earlier; nothing that is free suited when it was last tried
	ComesFirst  = "joined_before" // joined earlier, and is served first when something suits both
)

// Ahead is how many are ahead for one reason.
type Ahead struct {
	Reason string
	Count  int
}

// Text tells a in words.
func (a Ahead) Text() string {
	who := "1 member joined earlier"
	if a.Count != 1 {
		who = fmt.Sprintf("%d members joined earlier", a.Count)
	}
	switch a.Reason {
	case HasOffer:
		return who + " and is offered one of the same tools just now."
	case FitsNothing:
		return who + " for one of the same tools; nothing that was free suited them so far, so what suits you may be offered to you first."
	default:
		return who + " for one of the same tools and is asked first."
	}
}

// AheadOf queues who is ahead of an entry: open entries that joined earlier, need
// one of the same tools and may have them at an overlapping time. Served by
// waiting_entry_open.
func AheadOf(b *postgres.Batch, entry uuid.UUID) *postgres.Rows[Ahead] {
	return postgres.Query[Ahead](b, `
		select case when o.state = 'offered' then '`+HasOffer+`' when o.hindrance is not null then '`+FitsNothing+`' else '`+ComesFirst+`' end as reason, count(*)::integer as count
		from waiting_entry e
		join waiting_entry o on o.club_id = e.club_id and o.state in ('waiting', 'offered') and (o.joined_at, o.id) < (e.joined_at, e.id)
			and o.window_from < e.window_until and e.window_from < o.window_until
		where e.club_id = $1 and e.id = $2 and exists (select from (`+serving("o.club_id", "o.id")+`) theirs where theirs.tool_id in (`+serving("e.club_id", "e.id")+`))
		group by 1 order by 1`, b.Club, entry)
}
