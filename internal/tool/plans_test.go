package tool_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 20,000 tools of 2,000 models in 20 garages,
// and 200 clubs of 20 tools beside it; each gauge was calibrated twice.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	_, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 200) n`, club)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Owner.Exec(t.Context(), `
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone)
		select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from size, generate_series(1, case when large then 20 else 10 end) n;
		insert into tool_model (club_id, id, code, name, kind, size_nm)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', (array['reamer', 'pin_gauge', 'plug_gauge', 'press', 'drift'])[n % 5 + 1], 5000000 + n * 1000
		from size, generate_series(1, case when large then 2000 else 20 end) n;
		insert into tool (club_id, id, number, model_id, garage_id, state)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id, case n when 10 then 'quarantine' else 'in_service' end
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 1 end) n
		join garage g on g.club_id = m.club_id and g.code = 'g' || (abs(hashtext(m.code || n)) % case when large then 20 else 10 end + 1);
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2023-01-01' + n * 365, date '2024-01-01' + n * 365, 2000, 2, m.id, '2026-01-01'
		from tool t join member m on m.club_id = t.club_id join tool_model k on k.club_id = t.club_id and k.id = t.model_id
		cross join generate_series(1, 2) n where k.kind like '%gauge';
		drop view size;
		analyze`)
	if err != nil {
		t.Fatal(err)
	}
	return club
}

var at = time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)

func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	tools := func(f tool.Filter) func(*pgxpool.Pool) error {
		return queued(func(b *postgres.Batch) { tool.List(b, f, "m2", 101) })
	}
	named := func(name string) *postgres.Ref { r := postgres.ParseRef(name); return &r }
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of models", Index: "tool_model_code", Run: queued(func(b *postgres.Batch) { tool.ListModels(b, "", "m2", 101) })},
		{Name: "the list of models of a kind", Index: "tool_model_of_kind", Run: queued(func(b *postgres.Batch) { tool.ListModels(b, tool.Reamer, "m2", 101) })},
		{Name: "the list of tools", Index: "tool_number", Run: tools(tool.Filter{})},
		{Name: "the list of tools in a state", Index: "tool_number", Run: tools(tool.Filter{State: tool.Quarantine})},
		{Name: "the list of tools of a kind", Index: "tool_number", Run: tools(tool.Filter{Kind: tool.Reamer})},
		{Name: "the list of tools in a garage", Index: "tool_in_garage", Run: tools(tool.Filter{Garage: named("g7")})},
		{Name: "the list of tools of a model", Index: "tool_of_model", Run: tools(tool.Filter{Model: named("m77")})},
		{Name: "the list of calibrations", Index: "calibration_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.ListCalibrations(b, postgres.ParseRef("m77-3"), at, uuid.Max, 101)
		})},
		{Name: "instruments by name", Index: "calibration_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.Instruments(b, postgres.ParseRef("m77-3"), postgres.ParseRef(uuid.Max.String()))
		})},
	})
}
