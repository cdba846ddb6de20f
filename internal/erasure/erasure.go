// Package erasure forgets people and clubs: names and what they wrote go, what
// was measured, lent and promised stays, and the journal's chain with it. Which
// columns go is written in the migration that makes erase_member and
// erase_club; a test holds it against the catalogue.
package erasure

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Member erases m. officers are the club's working officers, locked. A member
// who is erased already stays as they are.
func Member(tx *postgres.Tx, actor uuid.UUID, m club.Member, officers []uuid.UUID) (club.Member, error) {
	switch {
	case m.ErasedAt != nil:
		return m, nil
	case m.ID == actor:
		return m, problem.New(problem.NotAllowedNow, "You cannot erase yourself, since the answer would have nobody to go to. Ask another officer.")
	case len(officers) == 1 && officers[0] == m.ID:
		return m, problem.New(problem.NotAllowedNow, "This is the club's only officer. Make somebody else an officer first.")
	}
	tx.Queue(`select erase_member($1, $2, $3, $4)`, tx.Club, m.ID, spelt(m.Name), tx.Now)
	if m.DisabledAt == nil {
		m.DisabledAt = &tx.Now
	}
	m = m.AsMember()
	m.Number, m.Name, m.Roles, m.GarageID = "erased-"+m.ID.String()[24:], "Erased member", []string{"member"}, nil
	m.ErasedAt = &tx.Now
	m.Version++
	journal.Append(tx, journal.Event{Type: "member.erased", Subject: m.ID, Version: m.Version, Audience: journal.ForClub, Actor: actor}, m.ID)
	return m, nil
}

// spelt is a name as it stands inside the JSON of an answer.
func spelt(name string) string {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(name); err != nil {
		panic(fmt.Sprintf("erasure: %v", err)) // no string fails to be one in JSON
	}
	return string(bytes.Trim(out.Bytes(), "\"\n"))
}

// Club erases a whole club. db is connected as the owner of the schema; the
// event's actor is the club itself, since the operator is no member.
func Club(ctx context.Context, db *postgres.DB, id uuid.UUID, now time.Time) error {
	return db.Write(ctx, id, now, func(b *postgres.Batch) { club.Lock(b) }, func(tx *postgres.Tx) error {
		tx.Queue(`select erase_club($1, $2)`, tx.Club, tx.Now)
		journal.Append(tx, journal.Event{Type: "club.erased", Subject: tx.Club, Version: 1, Audience: journal.ForClub, Actor: tx.Club}, tx.Club)
		return nil
	})
}
