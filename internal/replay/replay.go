// Package replay stores the answers of writes under their Idempotency-Key, so
// that a repeated request is answered as the first time and acts once. The key
// is claimed before anything else and its answer completed with the commit: an
// equal request waits for the first and then finds its answer.
package replay

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Kept is how long an answer can be replayed.
const Kept = 30 * 24 * time.Hour

// Key is an Idempotency-Key, with what it stands for.
type Key struct {
	ID          uuid.UUID
	Operation   string
	Fingerprint []byte
}

// Answer is what was sent.
type Answer struct {
	Status  int
	Headers map[string]string
	Body    []byte
}

// ParseKey reads the header's value, a UUID of version 7, bare or as a quoted
// string (the header's draft makes it a structured string). Its time tells
// whether its answer can still be known.
func ParseKey(text string, now time.Time) (uuid.UUID, error) {
	if len(text) == 38 && text[0] == '"' && text[37] == '"' {
		text = text[1:37]
	}
	id, err := uuid.Parse(text)
	if err != nil || len(text) != 36 || id.Version() != 7 {
		return uuid.Nil, problem.Invalid(problem.Fault{Pointer: "Idempotency-Key:",
			Detail: "send a UUID of version 7 (RFC 9562); GET /v1/new-id makes one"})
	}
	sec, nsec := id.Time().UnixTime()
	switch made := time.Unix(sec, nsec); {
	case made.Before(now.Add(-Kept)):
		return uuid.Nil, problem.New(problem.KeyTooOld, "This key was made on %s and answers are kept 30 days. Look whether the request has taken effect, then use a new key.", made.UTC().Format(time.DateOnly))
	case made.After(now.Add(24 * time.Hour)):
		return uuid.Nil, problem.Invalid(problem.Fault{Pointer: "Idempotency-Key:", Detail: "the time in this UUID lies more than a day ahead; set the clock of the device, then make a new key"})
	}
	return id, nil
}

// Claim is a key being claimed.
type Claim struct {
	key    Key
	fresh  *postgres.Rows[uuid.UUID]
	stored *postgres.Rows[storedAnswer]
}

type storedAnswer struct {
	Fingerprint []byte
	Status      *int
	Headers     []byte
	Body        []byte
}

// Queue claims k for the member whom holder, a query by the club ($1) and who
// ($2), gives; an equal request in progress is waited for. Without such a member
// it claims nothing.
func Queue(b *postgres.Batch, k Key, holder string, who []byte, now time.Time) *Claim {
	c := &Claim{key: k}
	c.fresh = postgres.Values[uuid.UUID](b, `
		insert into answer (club_id, member_id, operation, key, fingerprint, at)
		select $1, member_id, $3, $4, $5, $6 from (`+holder+`) as caller
		on conflict do nothing returning key`, b.Club, who, k.Operation, k.ID, k.Fingerprint, now)
	c.stored = postgres.Query[storedAnswer](b, `
		select fingerprint, status, headers, body from answer
		where club_id = $1 and member_id = (`+holder+`) and operation = $3 and key = $4`,
		b.Club, who, k.Operation, k.ID)
	return c
}

// Found returns the stored answer of an earlier equal request, nil when this
// request is the first, or a problem when the key stood for another request.
func (c *Claim) Found() (*Answer, error) {
	if len(c.fresh.Items) == 1 || len(c.stored.Items) == 0 {
		return nil, nil
	}
	was := c.stored.Items[0]
	if string(was.Fingerprint) != string(c.key.Fingerprint) {
		return nil, problem.New(problem.KeyReused, "This key was used with another request. Make a new key for this one, or send the earlier bytes to have the earlier answer.")
	}
	if was.Status == nil {
		return nil, &problem.Error{Kind: problem.RequestInProgress, Detail: "Wait a second, then send the same request again.", RetryAfter: time.Second}
	}
	if was.Headers == nil { // every stored answer has some
		return nil, problem.New(problem.KeyTooOld, "This request has taken effect, but its answer told of a member who was erased since, and was removed. Look at what it made instead.")
	}
	a := &Answer{Status: *was.Status, Body: was.Body}
	return a, json.Unmarshal(was.Headers, &a.Headers)
}

// Complete stores a as the answer of c's request; it travels with the commit.
func (c *Claim) Complete(tx *postgres.Tx, member uuid.UUID, a Answer) error {
	headers, err := json.Marshal(a.Headers)
	if err != nil {
		return err
	}
	tx.Queue(`update answer set status = $5, headers = $6, body = $7 where club_id = $1 and member_id = $2 and operation = $3 and key = $4`,
		tx.Club, member, c.key.Operation, c.key.ID, a.Status, headers, a.Body)
	if c.key.ID[15] == 0 { // one write in 256 pays for sweeping what is older than Kept, so that no sweeper needs to know every club
		tx.Queue(`delete from answer where club_id = $1 and at < $2`, tx.Club, tx.Now.Add(-Kept-24*time.Hour))
	}
	return nil
}
