package soundness

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/backup"
	"pinwright/internal/witness"
)

// event is a row of the journal.
type event struct {
	club           uuid.UUID
	seq            int64
	at             time.Time
	actor          *uuid.UUID
	kind           string
	subject        uuid.UUID
	subjectVersion int64
	audience       string
	digest, hash   []byte
}

// after is the hash of e behind an event with the hash before: SHA-256 over
// that, the digest of the state, and the row as PostgreSQL writes it as a JSON
// array.
func (e event) after(before []byte) []byte {
	actor := "null"
	if e.actor != nil {
		actor = `"` + e.actor.String() + `"`
	}
	row := fmt.Sprintf(`["%s", %d, %d.%06d, %s, %s, "%s", %d, %s]`, e.club, e.seq, e.at.Unix(), e.at.Nanosecond()/1000, actor,
		quoted(e.kind), e.subject, e.subjectVersion, quoted(e.audience))
	sum := sha256.New()
	for _, part := range [][]byte{before, e.digest, []byte(row)} {
		_, _ = sum.Write(part) // a hash never fails to be written to
	}
	return sum.Sum(nil)
}

func quoted(word string) string {
	text, err := json.Marshal(word)
	if err != nil {
		return word // no string fails to be one in JSON
	}
	return string(text)
}

// nothing is the hash before a club's first event.
var nothing = []byte{0}

// chain follows one club's journal.
type chain struct {
	seq    int64
	hash   []byte
	broken bool // told once; what follows cannot fit
}

// journals works every chain out anew, holds it against its head, and heads
// noted outside against the chain.
func (t tx) journals(a Against) ([]Check, error) {
	inside, outside := Check{Name: "journals"}, Check{Name: "heads outside"}
	heads, err := backup.Heads(t.ctx, t)
	if err != nil {
		return nil, err
	}
	noted := map[uuid.UUID]map[int64][]witness.Head{}
	for _, h := range a.Heads {
		if noted[h.Club] == nil {
			noted[h.Club] = map[int64][]witness.Head{}
		}
		noted[h.Club][h.Seq] = append(noted[h.Club][h.Seq], h)
	}
	chains, events, err := t.follow(&inside, &outside, noted)
	if err != nil {
		return nil, err
	}
	for _, h := range heads {
		c := chains[h.Club]
		if c == nil {
			c = &chain{hash: nothing}
			chains[h.Club] = c
		}
		if !c.broken && (c.seq != h.Seq || !bytes.Equal(c.hash, h.Hash)) {
			inside.fault("club %s: the head says %d events ending in %s, the journal has %d ending in %s", h.Club, h.Seq, short(h.Hash), c.seq, short(c.hash))
		}
	}
	clubs, err := collect[uuid.UUID](t, `select club_id from public.club where not exists (select from public.head h where h.club_id = club.club_id)`)
	if err != nil {
		return nil, err
	}
	for _, id := range clubs {
		inside.fault("club %s has no head: nothing can be written for it", id)
	}
	inside.Found = fmt.Sprintf("%d events of %d clubs, chained without a gap to their heads", events, len(heads))
	checks := []Check{inside}
	if a.Manifest != nil {
		checks = append(checks, sameHeads(heads, a.Manifest.Heads))
	}
	if a.Heads == nil {
		return checks, nil
	}
	for _, h := range a.Heads {
		switch c := chains[h.Club]; {
		case c == nil:
			outside.fault("club %s is not in the database; it had %d events on %s", h.Club, h.Seq, h.At.Format(time.RFC3339))
		case h.Seq > c.seq:
			outside.fault("club %s: the journal ends at event %d, but event %d was noted on %s: its tail was cut", h.Club, c.seq, h.Seq, h.At.Format(time.RFC3339))
		}
	}
	outside.Found = fmt.Sprintf("%d heads of %d clubs are in the journals", len(a.Heads), len(noted))
	return append(checks, outside), nil
}

// follow reads all events in their order.
func (t tx) follow(inside, outside *Check, noted map[uuid.UUID]map[int64][]witness.Head) (map[uuid.UUID]*chain, int, error) {
	rows, err := t.Query(t.ctx, `select club_id, seq, at, actor, type, subject, subject_version, audience, digest, hash from public.event order by club_id, seq`)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	chains, n := map[uuid.UUID]*chain{}, 0
	for ; rows.Next(); n++ {
		var e event
		if err := rows.Scan(&e.club, &e.seq, &e.at, &e.actor, &e.kind, &e.subject, &e.subjectVersion, &e.audience, &e.digest, &e.hash); err != nil {
			return nil, 0, err
		}
		c := chains[e.club]
		if c == nil {
			c = &chain{hash: nothing}
			chains[e.club] = c
		}
		switch {
		case c.broken:
		case e.seq != c.seq+1:
			inside.fault("club %s: event %d stands where %d should: one is missing", e.club, e.seq, c.seq+1)
			c.broken = true
		case !bytes.Equal(e.hash, e.after(c.hash)):
			inside.fault("club %s: event %d does not fit its hash: it or one before was changed", e.club, e.seq)
			c.broken = true
		}
		for _, h := range noted[e.club][e.seq] {
			if !bytes.Equal(h.Hash, e.hash) {
				outside.fault("club %s: event %d has hash %s, but %s was noted on %s: the past was written anew", e.club, e.seq, short(e.hash), short(h.Hash), h.At.Format(time.RFC3339))
			}
		}
		c.seq, c.hash = e.seq, e.hash
	}
	return chains, n, rows.Err()
}

// sameHeads holds the heads against those of the backup.
func sameHeads(have, want []witness.Head) Check {
	c := Check{Name: "heads of backup", Found: fmt.Sprintf("%d clubs stand where the backup left them", len(want))}
	stand := map[uuid.UUID]witness.Head{}
	for _, h := range have {
		stand[h.Club] = h
	}
	for _, w := range want {
		h, there := stand[w.Club]
		if !there {
			c.fault("club %s is missing", w.Club)
		} else if h.Seq != w.Seq || !bytes.Equal(h.Hash, w.Hash) {
			c.fault("club %s stands at event %d (%s), the backup at %d (%s)", w.Club, h.Seq, short(h.Hash), w.Seq, short(w.Hash))
		}
		delete(stand, w.Club)
	}
	for id := range stand {
		c.fault("club %s is not in the backup", id)
	}
	return c
}

func short(hash []byte) string {
	if len(hash) > 6 {
		return fmt.Sprintf("%x…", hash[:6])
	}
	return fmt.Sprintf("%x", hash)
}
