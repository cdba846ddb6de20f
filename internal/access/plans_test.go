package access_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/access"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	db := pgtest.New(t)
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "hollow-lane", Name: "Hollow Lane Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Odile Farrow"}, now)
	if err != nil {
		t.Fatal(err)
	}
	// 20,000 tokens of 2,000 members, and 2,000 clubs with ten tokens each beside it.
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 2000) n;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'm' || n, 'Member', '{member}' from club, generate_series(1, case slug when 'hollow-lane' then 2000 else 1 end) n;
		insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint)
		select club_id, sha256(convert_to(id::text || n, 'UTF8')), gen_random_uuid(), id, 'phone', 'device', '{read}', '2026-01-01', '2027-01-01', '' from member, generate_series(1, 10) n;
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), c.ClubID, queue) }
	}
	pgtest.HoldPlans(t, db, c.ClubID, []pgtest.Listing{
		{Name: "who calls", Index: "token_pkey", Run: queued(func(b *postgres.Batch) { access.Queue(b, c.Secret, now) })},
		{Name: "the list of tokens", Index: "token_id", Run: queued(func(b *postgres.Batch) { access.ListTokens(b, c.Secret.Hash(), uuid.Max, 101) })},
	})
}
