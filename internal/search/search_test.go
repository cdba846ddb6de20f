package search_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/search"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// bench is a database with clubs to search in.
type bench struct {
	t  *testing.T
	db *pgtest.DB
}

func newBench(t *testing.T) *bench { return &bench{t, pgtest.New(t)} }

func (b *bench) exec(sql string, args ...any) {
	b.t.Helper()
	if _, err := b.db.Owner.Exec(b.t.Context(), sql, args...); err != nil {
		b.t.Fatal(err)
	}
}

// club makes a club with vehicles of those names; code and name are parted by a
// slash.
func (b *bench) club(slug string, vehicles ...string) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.exec(`insert into club (club_id, slug, name, currency, created_at) values ($1, $2, 'Club', 'EUR', '2026-01-01')`, id, slug)
	b.exec(`insert into member (club_id, id, number, name, roles) values ($1, $1, 'm1', 'Owner', '{member}')`, id)
	for _, v := range vehicles {
		code, name, _ := strings.Cut(v, "/")
		b.exec(`insert into vehicle (club_id, id, code, name, member_id) values ($1, $2, $3, $4, $1)`, id, uuid.Must(uuid.NewV7()), code, name)
	}
	return id
}

func (b *bench) find(club uuid.UUID, text string, most int, kinds ...string) []search.Hit {
	b.t.Helper()
	if len(kinds) == 0 {
		kinds = search.Kinds()
	}
	var found *search.Found
	if err := (&postgres.DB{Pool: b.db.App}).Read(b.t.Context(), club, func(q *postgres.Batch) { found = search.Names(q, text, kinds, most) }); err != nil {
		b.t.Fatal(err)
	}
	return found.Items()
}

func codes(hits []search.Hit) []string {
	out := []string{}
	for _, h := range hits {
		out = append(out, *h.Code)
	}
	return out
}

func TestExactComesBeforePrefixBeforeAlike(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	club := b.club("one", "kestrel/Van", "kestrelle/Roadster", "x1/Kestrel", "x2/Old Kestrels coupe", "x3/Heron", "x4/Kestral")
	hits := b.find(club, "Kestrel", 20)
	if diff := cmp.Diff([]string{"kestrel", "x1", "kestrelle", "x2", "x4"}, codes(hits)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var places []search.Match
	for _, h := range hits {
		places = append(places, h.Place)
	}
	if diff := cmp.Diff([]search.Match{search.Exact, search.Exact, search.Prefix, search.Prefix, search.Alike}, places); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got := codes(b.find(club, "kestrel", 2)); len(got) != 2 || got[0] != "kestrel" {
		t.Errorf("at most two: %v", got)
	}
	if got := b.find(club, "kestrel", 20, "member", "tool"); len(got) != 0 {
		t.Errorf("only other kinds: %v", got)
	}
}

func TestCaseAccentsAndSlipsDoNotMatter(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	club := b.club("one", "a1/Éclair Ångström", "a2/Straßenkreuzer", "a3/ŁÓDŹ 1961", "a4/Øre  Ærø", "a5/Wrenfield", "a6/ﬁne ΆΛΦΑ Čapek", "a7/İzmir")
	for text, want := range map[string]string{
		"eclair angstrom": "a1", "ECLAIR ÅNGSTRÖM": "a1", "E\u0301clair": "a1", "strassenkreuzer": "a2", "STRASSE": "a2", "lodz": "a3", "ore aero": "a4", "  øre ": "a4",
		"wrenfeild": "a5", "renfield": "a5", "wrenfiel": "a5", "wrnfield": "a5", "capek": "a6", "fine": "a6", "αλφα": "a6", "izmir": "a7", "1961": "a3",
	} {
		if got := b.find(club, text, 20, "vehicle"); len(got) == 0 || *got[0].Code != want {
			t.Errorf("%q finds %v, want %s", text, got, want)
		}
	}
	for _, text := range []string{"zzqx", "´", " ", "\u0301", "%", "_", "'", `\`, "zq' || qx; --"} {
		if got := b.find(club, text, 20, "vehicle"); len(got) != 0 {
			t.Errorf("%q finds %v", text, got)
		}
	}
}

// Names follow their row in the same transaction: what is renamed or blanked is
// found no more by what it was called.
func TestNamesFollowTheirRow(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	club := b.club("one", "v1/Kestrel")
	if got := codes(b.find(club, "kestrel", 5)); len(got) != 1 {
		t.Fatalf("%v", got)
	}
	b.exec(`update vehicle set name = 'Merlin' where club_id = $1`, club)
	if old, now := b.find(club, "kestrel", 5), codes(b.find(club, "merlin", 5)); len(old) != 0 || len(now) != 1 {
		t.Errorf("old name %v, new %v", old, now)
	}
	tx, err := b.db.Owner.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `update vehicle set name = 'Hobby' where club_id = $1`, club); err != nil {
		t.Fatal(err)
	}
	if got := b.find(club, "merlin", 5); len(got) != 1 {
		t.Errorf("not committed, but gone: %v", got)
	}
	if err := tx.Rollback(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	if got := b.find(club, "merlin", 5); len(got) != 1 {
		t.Errorf("rolled back, but gone: %v", got)
	}
	b.exec(`update vehicle set name = '' where club_id = $1`, club)
	if got := b.find(club, "merlin", 5); len(got) != 0 {
		t.Errorf("blanked, but found: %v", got)
	}
	var left int
	if err := b.db.Owner.QueryRow(t.Context(), `select count(*) from findable where club_id = $1 and kind = 'vehicle' and field = 'name'`, club).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d entries left of a blanked name, %v", left, err)
	}
	b.exec(`update vehicle set name = 'Kite', code = 'v2' where club_id = $1`, club)
	if got := codes(b.find(club, "kite", 5)); len(got) != 1 || got[0] != "v2" {
		t.Errorf("named again: %v", got)
	}
	b.exec(`delete from vehicle where club_id = $1`, club)
	if err := b.db.Owner.QueryRow(t.Context(), `select count(*) from findable where club_id = $1 and kind = 'vehicle'`, club).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d entries left of a deleted row, %v", left, err)
	}
}

func TestNothingOfAnotherClubIsFound(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	mine, theirs := b.club("one", "v1/Kestrel"), b.club("two", "v2/Kestrel")
	for club, want := range map[uuid.UUID]string{mine: "v1", theirs: "v2"} {
		if got := codes(b.find(club, "kestrel", 20)); len(got) != 1 || got[0] != want {
			t.Errorf("%v, want %s only", got, want)
		}
	}
	// Not even by the function itself, whatever it is asked, and nothing without a club.
	var n int
	if err := b.db.App.QueryRow(t.Context(), `select count(*) from search_names('kestrel', '{vehicle}', 50)`).Scan(&n); err != nil || n != 0 {
		t.Errorf("without a club: %d %v", n, err)
	}
}

func TestReservationsAreFoundByTheirIDs(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	club, other := b.club("one"), b.club("two")
	ids := []string{"01900000-0000-7000-8000-00000000000a", "01900000-0000-7000-8000-00000000000b", "01900001-0000-7000-8000-00000000000a"}
	for _, id := range ids {
		b.exec(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $1, '2026-01-01')`, club, id)
	}
	b.exec(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $1, '2026-01-01')`, other, "01900000-0000-7000-8000-00000000000c")
	for text, want := range map[string]int{"01900000": 2, "01900000-0000-7000-8000-00000000000a": 1, "01900000-0000-7000-8000-00000000000A": 1, "01900001-0": 1, "0190000": 0, "01900002": 0, "01900000-": 2,
		"01900000-0000-7000-8000-00000000000c": 0, "0190000000": 0, "zzzzzzzz": 0} {
		got := b.find(club, text, 20)
		if len(got) != want {
			t.Errorf("%q finds %v, want %d", text, got, want)
		}
		for _, h := range got {
			if (h.Place == search.Exact) != (len(text) == 36) {
				t.Errorf("%q: %v", text, h)
			}
		}
	}
	if got := b.find(club, "01900000", 20, "vehicle"); len(got) != 0 {
		t.Errorf("asked for vehicles only: %v", got)
	}
	if got := b.find(club, "01900000", 1); len(got) != 1 {
		t.Errorf("at most one: %v", got)
	}
}

// large fills a club with 4,000 members, 1,000 tools, 400 vehicles and so on, and
// 50 small ones beside it.
func (b *bench) large() uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.exec(`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 50) n`, id)
	b.exec(`
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm' || n,
			(array['Odile', 'Marta', 'Wren', 'Ada', 'Tomas', 'Jorun', 'Petra'])[n % 7 + 1] || ' ' || (array['Farrow', 'Kestrel', 'Marsh', 'Quist', 'Steen'])[n % 5 + 1] || md5(n::text), '{member}'
		from size, generate_series(1, case when large then 4000 else 20 end) n;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || n, 'Yard ' || md5(n::text), 'UTC' from size, generate_series(1, case when large then 500 else 3 end) n;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'tm' || n, 'Press ' || md5(n::text), 'press' from size, generate_series(1, case when large then 1000 else 10 end) n;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 'R-' || m.code, m.id, g.id from tool_model m join garage g on g.club_id = m.club_id and g.code = 'g1';
		insert into pin_series (club_id, id, code, name, supplier) select club_id, gen_random_uuid(), 'ps' || n, 'Pins ' || md5(n::text), 'Supplier' from size, generate_series(1, case when large then 500 else 3 end) n;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'jt' || n, 'Hinge ' || md5(n::text) from size, generate_series(1, case when large then 500 else 3 end) n;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v' || m.number, 'Tourer ' || md5(m.number), m.id from member m where m.number like 'm%0';
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, p, t.id from vehicle v join joint_template t on t.club_id = v.club_id and t.code = 'jt1', unnest(array['front-left', 'front-right', 'rear-left', 'rear-right']) p;
		insert into reservation (club_id, id, member_id, created_at) select club_id, gen_random_uuid(), id, '2026-01-01' from member;
		drop view size;
		analyze`)
	return id
}

func TestSearchIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	club := b.large()
	ask := func(text string) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, func(q *postgres.Batch) { search.Names(q, text, search.Kinds(), 20) })
		}
	}
	pgtest.HoldPlans(t, b.db, club, []pgtest.Listing{
		{Name: "what was found", Index: "member_pkey", Run: ask("odile")},
		{Name: "what was found among joints", Index: "joint_pkey", Run: ask("odile")},
		{Name: "reservations by the beginning of an id", Index: "reservation_pkey", Run: ask("01900000")},
	})
	// The function's own query is planned as the owner, as whom it acts.
	var body string
	if err := b.db.Owner.QueryRow(t.Context(), `select prosrc from pg_proc where proname = 'search_names'`).Scan(&body); err != nil {
		t.Fatal(err)
	}
	body = strings.NewReplacer("search_fold(asked)", "search_fold($1)", "unnest(kinds)", "unnest($2::text[])", "LIMIT most", "LIMIT $3").Replace(body)
	custom, generic := pgtest.PlanAsOwner(t, b.db, club, body, "odile farow", []string{"member", "tool"}, 20)
	for kind, plan := range map[string]pgtest.Plan{"custom": custom, "generic": generic} {
		used := fmt.Sprint(plan.Indexes)
		if !strings.Contains(used, "findable_exact") || !strings.Contains(used, "findable_alike") || len(plan.SeqScans) > 0 {
			t.Errorf("the %s plan uses %v and reads all of %v:\n%s", kind, plan.Indexes, plan.SeqScans, plan.Text)
		}
	}
	if got := b.find(club, "odile farow", 20); len(got) != 20 || got[0].Kind != "member" || !strings.HasPrefix(*got[0].Name, "Odile Farrow") {
		t.Errorf("%v", got)
	}
}
