package mail

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

const (
	// mostAtOnce bounds the letters of one club in one sweep, so that a large club
	// does not keep the others waiting; the next sweep goes on.
	mostAtOnce = 200
	// settling bounds how long is spent on keeping how a letter went, after whoever
	// wanted it sent has gone away.
	settling = 10 * time.Second
)

var inWords = map[reminder.Outcome]string{
	reminder.Refused: "the server refuses it for good", reminder.Later: "it waits and is tried again", reminder.Unknown: "nobody knows whether it was taken, so it is not sent again",
}

// Sweep sends the letters of one club that are to go out at now, one after the
// other: each is claimed, sent and settled before the next, so that whoever dies
// leaves one letter of which nobody knows, not many. It returns how many the server
// took.
func (p *Post) Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	s := &session{p: p}
	defer s.close()
	sent := 0
	for range mostAtOnce {
		letters, more, err := reminder.Claim(ctx, db, club, now, 1)
		if err != nil {
			return sent, err
		}
		for _, l := range letters {
			e := s.send(ctx, l, now)
			if err := settle(ctx, db, club, now, l, e); err != nil {
				return sent, err
			}
			p.letters.WithLabelValues(outcomes[e.how]).Inc()
			if e.how == reminder.Sent {
				sent++
				continue
			}
			p.log.Warn("a letter was not handed over", "what_becomes_of_it", inWords[e.how], "club", club, "reminder", l.ID, "try", l.Try, "reply", e.reply, "error", withoutAddress(e.why, l.To))
			if e.away {
				return sent, nil // others would fare no better
			}
		}
		if !more || ctx.Err() != nil {
			break
		}
	}
	return sent, ctx.Err()
}

func settle(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, l reminder.Letter, e end) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), settling)
	defer cancel()
	return reminder.Settle(ctx, db, club, now, l, e.how, e.reply)
}

// withoutAddress is what to log of an error: servers repeat the address that
// they refuse, which is personal.
func withoutAddress(err error, address string) string {
	if err == nil {
		return ""
	}
	return strings.ReplaceAll(err.Error(), address, "the address")
}
