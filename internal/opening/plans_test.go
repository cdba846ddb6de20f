package opening_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/opening"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestOpeningIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 400) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm', 'Member', '{member}' from club;
		insert into lending_rule (club_id) select club_id from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from club, generate_series(1, 8) n;
		insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, d, '08:00', '12:00' from garage, generate_series(1, 5) d;
		insert into travel_time (club_id, garage_id, other_garage_id, minutes) select a.club_id, a.id, b.id, 30 from garage a join garage b on a.club_id = b.club_id and a.id < b.id;
		insert into closure (club_id, id, first_day, last_day, member_id, recorded_at)
		select club_id, gen_random_uuid(), day, day, id, '2020-01-01' from member, generate_series(date '2020-01-01', date '2026-12-31', interval '30 days') day;
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	now := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of closures", Index: "closure_pkey", Run: queued(func(b *postgres.Batch) { opening.ListClosures(b, nil, uuid.Max, 101) })},
		{Name: "a closure", Index: "closure_pkey", Run: queued(func(b *postgres.Batch) { opening.FindClosure(b, uuid.New()) })},
		{Name: "travel times", Index: "travel_time_pkey", Run: queued(func(b *postgres.Batch) { opening.ListTravels(b) })},
		{Name: "what is closed of all garages", Index: "closure_ahead", Run: queued(func(b *postgres.Batch) { opening.Load(b, now) })},
		{Name: "the hours of all garages", Index: "garage_hours_pkey", Run: queued(func(b *postgres.Batch) { opening.Load(b, now) })},
	})
}
