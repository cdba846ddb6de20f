package club_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/club"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 20,000 members and 2,000 garages, and 200
// clubs of ten each beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 200) n`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into garage (club_id, id, code, name, time_zone)
		select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from club, generate_series(1, case slug when 'club-0' then 2000 else 10 end) n;
		insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, d, '08:00', '12:00' from garage, generate_series(1, 5) d;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'm' || n, 'Member', '{member}' from club, generate_series(1, case slug when 'club-0' then 20000 else 10 end) n;
		analyze`); err != nil {
		t.Fatal(err)
	}
	return id
}

func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	id := largeClub(t, db)
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), id, queue) }
	}
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{
		{Name: "the list of garages", Index: "garage_code", Run: queued(func(b *postgres.Batch) { club.ListGarages(b, "g2", 101) })},
		{Name: "a garage by its code", Index: "garage_code", Run: queued(func(b *postgres.Batch) { club.FindGarage(b, postgres.ParseRef("g77")) })},
		{Name: "the list of members", Index: "member_number", Run: queued(func(b *postgres.Batch) { club.ListMembers(b, "m2", 101) })},
		{Name: "members by their numbers", Index: "member_number", Run: queued(func(b *postgres.Batch) { club.FindMembers(b, []postgres.Ref{{Name: "m77"}, {Name: "m78"}}) })},
		{Name: "garages by their codes", Index: "garage_code", Run: queued(func(b *postgres.Batch) { club.FindGarages(b, []postgres.Ref{{Name: "g77"}, {Name: "g78"}}) })},
		{Name: "a member by their number", Index: "member_number", Run: queued(func(b *postgres.Batch) { club.FindMember(b, postgres.ParseRef("m77")) })},
	})
}
