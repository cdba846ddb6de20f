package migrations_test

import (
	"errors"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"pinwright/internal/pgtest"
)

// revert_import is the only way in which the application's role brings rows of
// these tables to go, so what it may not do is held here, whatever the service
// asks of it.
func TestRevertImportDeletesNothingThatItShouldNot(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine, theirs := found(t, db, "fern-row"), found(t, db, "gorse-end")
	only := func(sql string, args ...any) uuid.UUID {
		t.Helper()
		return list[uuid.UUID](t, db.Owner, sql, args...)[0]
	}
	my, other := only(`select id from import where club_id = $1`, mine), only(`select id from import where club_id = $1`, theirs)

	for _, club := range []uuid.UUID{uuid.Nil, mine} {
		refusedAs(t, db.App, club, `select * from revert_import($1, $2)`, theirs, other)
	}
	refusedAs(t, db.App, uuid.Nil, `select * from revert_import(null, $1)`, my)

	add := func(tx pgx.Tx, thing string, id uuid.UUID) error {
		_, err := tx.Exec(t.Context(), `insert into import_made (club_id, import_id, thing, thing_id, row_number) values ($1, $2, $3, $4, 9)`, mine, my, thing, id)
		return err
	}
	for _, tc := range []struct {
		name, prepare string // what happens to a fresh member of the club, $1 $2
		goes          bool
	}{
		{"nothing rests on it", `select $1::uuid, $2::uuid`, true},
		{"it was changed", `update member set version = 2 where club_id = $1 and id = $2`, false},
		{"a vehicle rests on it", `insert into vehicle (club_id, id, code, name, member_id) values ($1, gen_random_uuid(), 'x', 'x', $2)`, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			as(t, db.App, mine, func(tx pgx.Tx) {
				fresh, alone := uuid.New(), uuid.New()
				if _, err := tx.Exec(t.Context(), `insert into member (club_id, id, number, name, roles) select $1, u, u::text, 'x', '{member}' from unnest($2::uuid[]) as u`, mine, []uuid.UUID{fresh, alone}); err != nil {
					t.Fatal(err)
				}
				if _, err := tx.Exec(t.Context(), `insert into import (club_id, id, kind, member_id, created_at, created, existing, refused, report) select club_id, $2, kind, member_id, created_at, 0, 0, 0, report from import where club_id = $1 and id = $3`, mine, fresh, my); err != nil {
					t.Fatal(err)
				}
				if _, err := tx.Exec(t.Context(), `insert into import_made (club_id, import_id, thing, thing_id, row_number) select $1, $2, 'member', u, 1 from unnest($3::uuid[]) as u`, mine, fresh, []uuid.UUID{fresh, alone}); err != nil {
					t.Fatal(err)
				}
				if _, err := tx.Exec(t.Context(), tc.prepare, mine, fresh); err != nil {
					t.Fatal(err)
				}
				held := count(t, tx, `select count(*) from revert_import($1, $2)`, mine, fresh)
				left := count(t, tx, `select count(*) from member where club_id = $1 and id = any($2)`, mine, []uuid.UUID{fresh, alone})
				if tc.goes && (held != 0 || left != 0) || !tc.goes && (held != 1 || left != 2) {
					t.Errorf("%d held, %d left", held, left)
				}
			})
		})
	}
	as(t, db.App, mine, func(tx pgx.Tx) { // another club's member, named as one's own
		if err := add(tx, "member", only(`select id from member where club_id = $1 limit 1`, theirs)); err != nil {
			t.Fatal(err)
		}
		count(t, tx, `select count(*) from revert_import($1, $2)`, mine, my)
		if err := tx.Commit(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
	if n := list[int64](t, db.Owner, `select count(*) from member where club_id = $1`, theirs)[0]; n < 2 {
		t.Errorf("%d members are left in another club", n)
	}
	as(t, db.App, mine, func(tx pgx.Tx) { // a reading is history, whatever the list says
		reading := only(`select id from reading where club_id = $1 limit 1`, mine)
		if err := add(tx, "reading", reading); err != nil {
			t.Fatal(err)
		}
		count(t, tx, `select count(*) from revert_import($1, $2)`, mine, my)
		if n := count(t, tx, `select count(*) from reading where club_id = $1 and id = $2`, mine, reading); n != 1 {
			t.Error("a reading was deleted")
		}
	})
	for _, thing := range []string{"garage", "event", "club", "import", "reading_void"} {
		as(t, db.App, mine, func(tx pgx.Tx) {
			var pg *pgconn.PgError
			if err := add(tx, thing, uuid.New()); !errors.As(err, &pg) || pg.Code != "23514" { // check_violation
				t.Errorf("an import may list a %s: %v", thing, err)
			}
		})
	}
}

// A table that refers to something which imports make is looked at without
// being listed: here one that comes later.
func TestRevertImportKnowsTablesThatComeLater(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine := found(t, db, "fern-row")
	if _, err := db.Owner.Exec(t.Context(), `create table later (club_id uuid not null, n integer, whose uuid, primary key (club_id, n), foreign key (club_id, whose) references member (club_id, id))`); err != nil {
		t.Fatal(err)
	}
	id := uuid.New()
	as(t, db.Owner, uuid.Nil, func(tx pgx.Tx) {
		for _, sql := range []string{
			`insert into member (club_id, id, number, name, roles) values ($1, $2, 'later', 'x', '{member}')`,
			`insert into import (club_id, id, kind, member_id, created_at, created, existing, refused, report) select $1, $2, 'members', id, now(), 1, 0, 0, '' from member where club_id = $1 and number <> 'later' limit 1`,
			`insert into import_made (club_id, import_id, thing, thing_id, row_number) values ($1, $2, 'member', $2, 7)`,
			`insert into later values ($1, 1, $2)`,
		} {
			if _, err := tx.Exec(t.Context(), sql, mine, id); err != nil {
				t.Fatal(err)
			}
		}
		if err := tx.Commit(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
	as(t, db.App, mine, func(tx pgx.Tx) {
		var row int
		var by string
		if err := tx.QueryRow(t.Context(), `select row_number, held_by from revert_import($1, $2)`, mine, id).Scan(&row, &by); err != nil || row != 7 || by != "later" {
			t.Errorf("row %d held by %q, %v; want 7 by later", row, by, err)
		}
	})
}
