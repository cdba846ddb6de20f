package cutting_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/cutting"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// large fills fifty small clubs and a large one whose reamer R1 has a long history.
func large(t testing.TB, uses int) (*pgtest.DB, uuid.UUID) {
	t.Helper()
	db := pgtest.New(t)
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), strings.ReplaceAll(`
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g1', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind, size_nm) select club_id, gen_random_uuid(), 'tm' || n, 'Reamer', 'reamer', 8000000 + n * 1000 from club, generate_series(1, case when slug = 'large' then 1000 else 4 end) n;
		insert into tool (club_id, id, number, model_id, garage_id) select t.club_id, gen_random_uuid(), case when c.slug = 'large' then 'R' else c.slug || '-R' end || substr(t.code, 3), t.id, g.id from tool_model t join garage g using (club_id) join club c using (club_id);
		insert into tool_use (club_id, id, tool_id, member_id, used_at, recorded_at, recorded_by, work, count, depth_nm, lubricant)
		select t.club_id, gen_random_uuid(), t.id, m.id, '2024-01-01Z'::timestamptz + n * interval '1 minute', '2026-01-01Z', m.id, 'holes', 1, 20000000, case n % 3 when 0 then 'dry' when 1 then 'cutting_oil' end
		from tool t join member m using (club_id) join club c using (club_id), generate_series(1, case when c.slug = 'large' and t.number = 'R1' then @uses else 3 end) n;
		insert into tool_check (club_id, id, tool_id, kind, size_nm, u_nm, checked_at, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, 'check_cut', 8001000 - 10 * n, 2000, '2024-01-01Z'::timestamptz + n * interval '1 hour', m.id, '2026-01-01Z' from tool t join member m using (club_id), generate_series(1, case when t.number = 'R1' then 50 else 3 end) n;
		insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at) select t.club_id, gen_random_uuid(), t.id, 'sharpened', '2024-01-01T10:30Z'::timestamptz + n * interval '1 year', m.id, '2026-01-01Z' from tool t join member m using (club_id), generate_series(0, 1) n;
		insert into inspection (club_id, id, tool_id, verdict, condition, inspected_at, member_id, recorded_at) select t.club_id, gen_random_uuid(), t.id, 'good', 'good', '2026-01-01', m.id, '2026-01-01' from tool t join member m using (club_id), generate_series(1, 3) n;
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, deviation_nm, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, '2026-01-01', '2027-01-01', 1, 2, 100, m.id, '2026-01-01' from tool t join member m using (club_id), generate_series(1, 3);
		insert into pin_series (club_id, id, code, name) select club_id, gen_random_uuid(), 'ps' || n, 'Pins' from club, generate_series(1, case when slug = 'large' then 1500 else 5 end) n;
		insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm, reamer_nm, held_reamer_nm) select club_id, id, n, 's' || n, 7900000 + n, 0, 0, 8000000 + n * 10000, 8005000 + n * 10000 from pin_series, generate_series(0, 4) n;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v', 'Vehicle', m.id from member m;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint', 1 from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at) select p.club_id, gen_random_uuid(), p.id, 1, '[{}]', m.id, '2026-01-01' from procedure p join member m using (club_id);
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select m.club_id, gen_random_uuid(), 1, v.id, p.id, 1, g.id, m.id, false, '2026-01-01' from member m join vehicle v using (club_id) join procedure p using (club_id) join garage g using (club_id);
		insert into joint (club_id, id, vehicle_id, position, template_id) select r.club_id, r.id, r.vehicle_id, 'p' || r.number, t.id from repair r join joint_template t using (club_id);
		insert into repair_joint (club_id, repair_id, joint_id) select club_id, id, id from repair;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty) select club_id, gen_random_uuid(), id, 0, 'f', 'bore', 'running' from joint;
		insert into verification (club_id, id, repair_id, joint_id, verdict, risk, content, member_id, at) select t.club_id, t.id, r.id, r.id, 'proved', 0.05, '{"bores":[]}', r.lead_id, '2026-01-01' from repair r join tool t using (club_id);
		insert into reamer_cut (club_id, verification_id, feature_id, tool_id, cut_at, size_nm, u_nm, depth_nm)
		select v.club_id, v.id, f.id, v.id, '2026-02-01'::timestamptz, 8000000, 3000, 20000000 from verification v join feature f using (club_id);
		analyze`, "@uses", strconv.Itoa(uses))); err != nil {
		t.Fatal(err)
	}
	return db, id
}

func read(t testing.TB, db *postgres.DB, club uuid.UUID, tool string) []cutting.Reamer {
	t.Helper()
	var known *cutting.Known
	if err := db.Read(t.Context(), club, func(b *postgres.Batch) { known = cutting.Queue(b, postgres.ParseRef(tool)) }); err != nil {
		t.Fatal(err)
	}
	return known.Reamers(cutting.Ask{})
}

// Every hole counts for travel in the life in which it was cut, whether its size is known or not.
func TestTravelIsThatOfAllHolesSinceTheLastRenewal(t *testing.T) {
	t.Parallel()
	db, id := large(t, 3000)
	r := read(t, &postgres.DB{Pool: db.App}, id, "R1")
	if len(r) != 1 || len(r[0].Lives) != 3 {
		t.Fatalf("%+v", r)
	}
	// 3000 uses a minute apart from midnight, a check cut each hour, sharpened at half past ten: 629 uses before it, and ten checks. Each third use was dry and counts twice.
	first, now := r[0].Lives[0], r[0].Lives[1]
	if first.Holes != 629+10 || math.Abs(first.Travel-(639+209)*0.02) > 1e-9 || first.Seen() != 10 || now.Holes != 2371+40 || math.Abs(now.Travel-(2411+791)*0.02) > 1e-9 || now.Seen() != 40 || now.By != cutting.Sharpened {
		t.Errorf("first %d holes over %g m, %d seen; now %d over %g m, %d seen", first.Holes, first.Travel, first.Seen(), now.Holes, now.Travel, now.Seen())
	}
	if at := first.Events[0].Travel; math.Abs(at-(60+20)*0.02) > 1e-9 { // those of the full hour itself come before its check
		t.Errorf("the first check stands at %g m", at)
	}
	// Sharpened again a year later, and a bore verified a year after that.
	if last := r[0].Now(); last.Holes != 1 || last.Seen() != 1 || last.Events[0].Kind != cutting.Cut || last.Travel != 0.02 {
		t.Errorf("last life %+v", last)
	}
}

func TestAReamersHistoryIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db, id := large(t, 3000)
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{
		{Name: "what a reamer did", Index: "tool_use_of_tool", Run: func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), id, func(b *postgres.Batch) { cutting.Queue(b, postgres.ParseRef("R1")) })
		}},
		{Name: "how long tools of a model last", Index: "tool_use_of_tool", Run: func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), id, func(b *postgres.Batch) { cutting.QueueLives(b, &postgres.Ref{Name: "tm7"}) })
		}},
		{Name: "how gauges of a model wear", Index: "calibration_of_tool", Run: func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), id, func(b *postgres.Batch) { cutting.QueueGauges(b, postgres.Ref{Name: "tm7"}) })
		}},
		{Name: "the steps that it serves", Index: "pin_step_by_reamer", Run: func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), id, func(b *postgres.Batch) { cutting.QueueSteps(b, postgres.ParseRef("R1"), nil) })
		}},
	})
}

// What asking costs behind a hundred uses and behind a hundred thousand. Telling a use is one insert, whatever the history; the
// sums behind an answer are made by the database in one pass over the tool's own uses.
func BenchmarkAReamersHistory(b *testing.B) {
	for _, uses := range []int{100, 100_000} {
		db, id := large(b, uses)
		b.Run(strconv.Itoa(uses)+" uses", func(b *testing.B) {
			for range b.N {
				if r := read(b, &postgres.DB{Pool: db.App}, id, "R1"); r[0].Lives[0].Holes == 0 {
					b.Fatal("nothing was cut")
				}
			}
		})
	}
}
