// Package journal keeps a club's record of what changed: one event for each
// change, in commit order, chained by hashes so that a changed or missing event
// shows. Events carry ids, versions and digests, never names, so that a person
// can be erased without breaking the chain.
package journal

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Audience is who may see an event in the change feed.
type Audience string

// Most events concern the whole club; some only those who run it.
const (
	ForClub     Audience = "club"
	ForOfficers Audience = "officers"
)

// Event is one change of one thing.
type Event struct {
	Type     string // what happened, such as reservation.created
	Subject  uuid.UUID
	Version  int64 // of the subject after the change
	Audience Audience
	Actor    uuid.UUID
}

// Append adds e to what travels with tx's commit. The digest binds the event to
// state, the subject as it is after the change.
func Append(tx *postgres.Tx, e Event, state any) {
	tx.CountEvents(e.Type, 1)
	tx.QueueLast(`select append_event($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, tx.Now, e.Actor, e.Type, e.Subject, e.Version, string(e.Audience), digestOf(e, state))
}

// AppendAll is Append for many subjects of one kind of change, in their order,
// with the same chain; e.Subject does not count. The head is written once however many they are.
func AppendAll(tx *postgres.Tx, e Event, subjects []uuid.UUID, states []any) {
	if len(subjects) == 0 {
		return
	}
	tx.CountEvents(e.Type, len(subjects))
	digests := make([][]byte, len(states))
	for i, state := range states {
		digests[i] = digestOf(e, state)
	}
	tx.QueueLast(`select append_events($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, tx.Now, e.Actor, e.Type, subjects, e.Version, string(e.Audience), digests)
}

func digestOf(e Event, state any) []byte {
	text, err := json.Marshal(state)
	if err != nil {
		panic(fmt.Sprintf("journal: state of %s: %v", e.Type, err)) // a struct of ours that JSON cannot express
	}
	digest := sha256.Sum256(text)
	return digest[:]
}
