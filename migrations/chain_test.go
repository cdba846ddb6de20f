package migrations_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/club"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

type eventRow struct {
	Seq            int64
	At             time.Time
	Actor          *uuid.UUID
	Type           string
	Subject        uuid.UUID
	SubjectVersion int64
	Audience       string
	Digest, Hash   []byte
}

type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// verifyChain works the hashes of a club's journal out anew from its rows,
// written here from the rule alone: SHA-256 (FIPS 180-4) over the hash before,
// the digest of the state, and the row as a JSON array. It says what is wrong.
func verifyChain(t *testing.T, db querier, clubID uuid.UUID) error {
	t.Helper()
	rows, err := db.Query(t.Context(), `select seq, at, actor, type, subject, subject_version, audience, digest, hash from event where club_id = $1 order by seq`, clubID)
	if err != nil {
		t.Fatal(err)
	}
	events, err := pgx.CollectRows(rows, pgx.RowToStructByName[eventRow])
	if err != nil {
		t.Fatal(err)
	}
	chain := []byte{0}
	for i, e := range events {
		if e.Seq != int64(i+1) {
			return fmt.Errorf("event %d stands where %d should: one is missing", e.Seq, i+1)
		}
		actor := "null"
		if e.Actor != nil {
			actor = `"` + e.Actor.String() + `"`
		}
		words := make([]string, 2)
		for j, word := range []string{e.Type, e.Audience} {
			text, err := json.Marshal(word)
			if err != nil {
				t.Fatal(err)
			}
			words[j] = string(text)
		}
		row := fmt.Sprintf(`["%s", %d, %d.%06d, %s, %s, "%s", %d, %s]`, clubID, e.Seq, e.At.Unix(), e.At.Nanosecond()/1000, actor, words[0], e.Subject, e.SubjectVersion, words[1])
		sum := sha256.Sum256([]byte(string(chain) + string(e.Digest) + row))
		if string(sum[:]) != string(e.Hash) {
			return fmt.Errorf("event %d does not fit its hash: %s", e.Seq, row)
		}
		chain = sum[:]
	}
	var seq int64
	var head []byte
	if err := db.QueryRow(t.Context(), `select seq, hash from head where club_id = $1`, clubID).Scan(&seq, &head); err != nil {
		t.Fatal(err)
	}
	if seq != int64(len(events)) || string(head) != string(chain) {
		return fmt.Errorf("the head says %d events ending in %s, the journal holds %d ending in %s", seq, hex.EncodeToString(head), len(events), hex.EncodeToString(chain))
	}
	return nil
}

// write adds n garages, each its own transaction, and so at least n events.
func write(t *testing.T, db *pgtest.DB, clubID uuid.UUID, mark string, n int) {
	app := &postgres.DB{Pool: db.App}
	for i := range n {
		err := app.Write(t.Context(), clubID, time.Now(), func(*postgres.Batch) {}, func(tx *postgres.Tx) error {
			club.AddGarage(tx, uuid.New(), club.Garage{ID: uuid.Must(uuid.NewV7()), Code: fmt.Sprintf("%s-%d", mark, i), Name: "Garage", TimeZone: "UTC", Opens: "08:00", Closes: "20:00", Version: 1})
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

func TestJournalIsChainedWithoutGaps(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine, theirs := found(t, db, "fern-row"), found(t, db, "gorse-end")
	var all sync.WaitGroup
	for w := range 4 {
		all.Go(func() { write(t, db, []uuid.UUID{mine, theirs}[w%2], fmt.Sprintf("w%d", w), 15) })
	}
	all.Wait()
	for _, c := range []uuid.UUID{mine, theirs} {
		if err := verifyChain(t, db.Owner, c); err != nil {
			t.Error(err)
		}
		if n := list[int64](t, db.Owner, `select seq from head where club_id = $1`, c)[0]; n < 30 {
			t.Errorf("only %d events after 30 writes", n)
		}
	}
}

// Whoever can do anything in the database, but does not work the whole chain
// out anew, is found out.
func TestTamperingWithTheJournalShows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine := found(t, db, "fern-row")
	write(t, db, mine, "w", 6)
	superuser := db.Pool(t, db.AdminURL, 1)
	for _, tc := range []struct{ name, tampering, want string }{
		{"another actor", `update event set actor = '00000000-0000-4000-8000-000000000000' where seq = 5`, "event 5 does not fit"},
		{"no actor", `update event set actor = null where seq = 5`, "event 5 does not fit"},
		{"another time", `update event set at = at + interval '1 microsecond' where seq = 6`, "event 6 does not fit"},
		{"another subject", `update event set subject = '00000000-0000-4000-8000-000000000000' where seq = 4`, "event 4 does not fit"},
		{"another version", `update event set subject_version = subject_version + 1 where seq = 4`, "event 4 does not fit"},
		{"another type", `update event set type = type || 'x' where seq = 4`, "event 4 does not fit"},
		{"another audience", `update event set audience = 'officers' where seq = 6`, "event 6 does not fit"},
		{"another state", `update event set digest = sha256('x') where seq = 7`, "event 7 does not fit"},
		{"one taken out", `delete from event where seq = 5`, "one is missing"},
		{"the last taken off", `delete from event where seq = (select max(seq) from event)`, "the head says"},
		{"the last taken off and the head set back", `delete from event where seq = (select max(seq) from event); update head set seq = seq - 1`, "the head says"},
		{"two exchanged", `update event set seq = -5 where seq = 5; update event set seq = 5 where seq = 6; update event set seq = 6 where seq = -5`, "event 5 does not fit"},
		{"a hash written to fit", `update event e set type = 'x', hash = sha256(p.hash || e.digest) from event p where e.seq = 5 and p.seq = 4`, "event 5 does not fit"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			as(t, superuser, uuid.Nil, func(tx pgx.Tx) {
				if err := verifyChain(t, tx, mine); err != nil {
					t.Fatalf("before tampering: %v", err)
				}
				if _, err := tx.Exec(t.Context(), tc.tampering); err != nil {
					t.Fatal(err)
				}
				if err := verifyChain(t, tx, mine); err == nil || !strings.Contains(err.Error(), tc.want) {
					t.Errorf("verification says %v, want %q", err, tc.want)
				}
			})
		})
	}
}
