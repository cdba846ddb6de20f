package migrations_test

import (
	"errors"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
)

// as runs f in a transaction of the pool's role with club as the fence; nil
// sets none.
func as(t *testing.T, pool *pgxpool.Pool, club uuid.UUID, f func(tx pgx.Tx)) {
	t.Helper()
	tx, err := pool.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback(t.Context()) //nolint:errcheck // nothing is kept of these transactions
	if club != uuid.Nil {
		if _, err := tx.Exec(t.Context(), `select set_config('app.club', $1, true)`, club.String()); err != nil {
			t.Fatal(err)
		}
	}
	f(tx)
}

// refusedAs holds that the role has no right to a statement.
func refusedAs(t *testing.T, pool *pgxpool.Pool, club uuid.UUID, sql string, args ...any) {
	t.Helper()
	as(t, pool, club, func(tx pgx.Tx) {
		_, err := tx.Exec(t.Context(), sql, args...)
		var pg *pgconn.PgError
		if !errors.As(err, &pg) || pg.Code != "42501" { // insufficient_privilege, row level security included
			t.Errorf("%s: %v, want it refused for want of rights", sql, err)
		}
	})
}

func count(t *testing.T, tx pgx.Tx, sql string, args ...any) (n int) {
	t.Helper()
	if err := tx.QueryRow(t.Context(), sql, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return n
}

func TestClubsSeeOnlyTheirOwnRows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine := found(t, db, "fern-row")
	found(t, db, "gorse-end")
	for _, table := range tables(t, db.Owner) {
		as(t, db.App, uuid.Nil, func(tx pgx.Tx) {
			if n := count(t, tx, `select count(*) from `+table); n > 0 {
				t.Errorf("%s: %d rows are seen without a club", table, n)
			}
		})
		as(t, db.App, mine, func(tx pgx.Tx) {
			if n := count(t, tx, `select count(*) from `+table+` where club_id = $1`, mine); n == 0 {
				t.Errorf("%s: the club does not see its own row", table)
			}
			if n := count(t, tx, `select count(*) from `+table+` where club_id <> $1`, mine); n > 0 {
				t.Errorf("%s: %d rows of another club are seen", table, n)
			}
		})
		as(t, db.Owner, uuid.Nil, func(tx pgx.Tx) {
			if n := count(t, tx, `select count(distinct club_id) from `+table); n != 2 {
				t.Errorf("%s: the owner sees rows of %d clubs, want 2: a backfill would silently touch too little", table, n)
			}
		})
	}
}

func TestClubsCannotWriteIntoAnother(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine, theirs := found(t, db, "fern-row"), found(t, db, "gorse-end")
	refusedAs(t, db.App, mine, `insert into garage (club_id, id, code, name, time_zone) values ($1, $2, 'x', 'x', 'UTC')`, theirs, uuid.New())
	refusedAs(t, db.App, mine, `update garage set club_id = $1`, theirs) // its own row, carried over
	refusedAs(t, db.App, uuid.Nil, `insert into garage (club_id, id, code, name, time_zone) values ($1, $2, 'x', 'x', 'UTC')`, mine, uuid.New())
	as(t, db.App, mine, func(tx pgx.Tx) {
		tag, err := tx.Exec(t.Context(), `update garage set name = 'taken over' where club_id = $1`, theirs)
		if err != nil || tag.RowsAffected() != 0 {
			t.Errorf("%d garages of another club were changed (%v)", tag.RowsAffected(), err)
		}
	})
	as(t, db.App, mine, func(tx pgx.Tx) {
		var seq *int64
		err := tx.QueryRow(t.Context(), `select append_event($1, now(), null, 'x', $1, 1, 'club', '\x00')`, theirs).Scan(&seq)
		if err == nil && seq != nil {
			t.Error("append_event wrote into another club's journal")
		}
	})
	as(t, db.App, mine, func(tx pgx.Tx) { // a foreign key cannot reach over: there is no garage of that id in this club
		_, err := tx.Exec(t.Context(), `insert into member (club_id, id, number, name, roles, garage_id)
			select $1, $2, 'x', 'x', '{member}', $3`, mine, uuid.New(), list[uuid.UUID](t, db.Owner, `select id from garage where club_id = $1 limit 1`, theirs)[0])
		var pg *pgconn.PgError
		if !errors.As(err, &pg) || pg.Code != "23503" { // foreign_key_violation
			t.Errorf("%v, want a violated foreign key", err)
		}
	})
}
