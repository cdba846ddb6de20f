package photo_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/photo"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	// A club with 400 tools and 400 joints of 20 photos each, and 50 small ones beside it.
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 50) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		create view size as select club_id, case when slug = 'club-0' then 400 else 4 end as things from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'north', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'press', 'Press', 'press' from club;
		insert into tool (club_id, id, number, model_id, garage_id)
		select s.club_id, gen_random_uuid(), 't' || n, m.id, g.id from size s join tool_model m using (club_id) join garage g using (club_id), generate_series(1, things) n;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into vehicle (club_id, id, code, name, member_id) select club_id, gen_random_uuid(), 'van', 'Van', id from member;
		insert into joint (club_id, id, vehicle_id, position, template_id)
		select s.club_id, gen_random_uuid(), v.id, 'j' || n, j.id from size s join vehicle v using (club_id) join joint_template j using (club_id), generate_series(1, things) n;
		insert into photo (club_id, id, tool_id, taken_by, added_at, received, ordinal)
		select t.club_id, gen_random_uuid(), t.id, m.id, '2026-01-01', sha256(''), n % 3 from tool t join member m using (club_id), generate_series(1, 20) n;
		insert into photo (club_id, id, joint_id, taken_by, added_at, received, ordinal)
		select t.club_id, gen_random_uuid(), t.id, m.id, '2026-01-01', sha256(''), n % 3 from joint t join member m using (club_id), generate_series(1, 20) n;
		alter table photo_image disable trigger photo_bytes_counted; -- photos do not come in by the thousand
		insert into photo_image (club_id, photo_id, size, media_type, width, height, hash, data)
		select club_id, id, s, 'image/jpeg', 1, 1, sha256(''), '\xff' from photo, unnest(array['full', 'thumbnail']) s;
		drop view size;
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the photos of a tool", Index: "photo_of_tool", Run: queued(func(b *postgres.Batch) {
			photo.ListOfTool(b, postgres.ParseRef("t7"), 1, uuid.Nil, 101)
		})},
		{Name: "the photos of a joint", Index: "photo_of_joint", Run: queued(func(b *postgres.Batch) {
			photo.ListOfJoint(b, postgres.ParseRef("j7"), 1, uuid.Nil, 101)
		})},
	})
}
