package tool_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/calc/length"
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
		insert into tool_model (club_id, id, code, name, kind, size_nm, range_from_nm, range_to_nm)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', kind, case when kind <> 'caliper' then 5000000 + n * 1000 end,
			case when kind = 'caliper' then n * 10000 end, case when kind = 'caliper' then 5000000 + n * 20000 end
		from size, generate_series(1, case when large then 2000 else 20 end) n cross join lateral (select (array['reamer', 'pin_gauge', 'plug_gauge', 'caliper', 'drift'])[n % 5 + 1] as kind) k;
		insert into tool (club_id, id, number, model_id, garage_id, state)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id, case n when 10 then 'quarantine' else 'in_service' end
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 1 end) n
		join garage g on g.club_id = m.club_id and g.code = 'g' || (abs(hashtext(m.code || n)) % case when large then 20 else 10 end + 1);
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2023-01-01' + n * 365, date '2024-01-01' + n * 365, 2000, 2, m.id, '2026-01-01'
		from tool t join member m on m.club_id = t.club_id join tool_model k on k.club_id = t.club_id and k.id = t.model_id
		cross join generate_series(1, 2) n where k.kind like '%gauge';
		insert into gauge_study (club_id, id, tool_id, kind, studied_on, posted, engine, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, 'attribute', calibrated_on, '{}', 'x', member_id, recorded_at from calibration;
		insert into reservation (club_id, id, member_id, created_at) select t.club_id, t.id, m.id, '2026-01-01' from tool t join member m on m.club_id = t.club_id;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
		select club_id, id, n, id, tstzrange(start, start + interval '3 days'), tstzrange(start, start + interval '4 days'), case when n < 4 then 'returned' when number like '%7' then 'out' else 'reserved' end
		from tool cross join generate_series(3, 5) n cross join lateral (select timestamptz '2026-04-01' + n * interval '7 days' as start) s;
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, id, 'handout', id, '2026-04-29', '2026-04-29' from member;
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select b.club_id, b.tool_id, b.reservation_id, b.line, b.tool_id, m.id, m.id, '2026-04-29', b.held, '2026-04-29'
		from booking b join member m on m.club_id = b.club_id where b.line = 4 and b.state = 'out';
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'quiet-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 3000) n;
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
	smallest, largest := length.Length(5_100_000), length.Length(5_120_000)
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of models", Index: "tool_model_code", Run: queued(func(b *postgres.Batch) { tool.ListModels(b, "", "m2", 101) })},
		{Name: "the list of models of a kind", Index: "tool_model_of_kind", Run: queued(func(b *postgres.Batch) { tool.ListModels(b, tool.Reamer, "m2", 101) })},
		{Name: "the list of tools", Index: "tool_number", Run: tools(tool.Filter{})},
		{Name: "the list of tools in a state", Index: "tool_number", Run: tools(tool.Filter{State: tool.Quarantine})},
		{Name: "the list of tools of a kind", Index: "tool_number", Run: tools(tool.Filter{Kind: tool.Reamer})},
		{Name: "the list of tools in a garage", Index: "tool_at_garage", Run: tools(tool.Filter{Garage: named("g7")})},
		{Name: "the list of tools of a size", Index: "tool_model_size", Run: tools(tool.Filter{SizeFrom: &smallest, SizeUntil: &largest})},
		{Name: "the list of tools for a bore", Index: "tool_model_serves", Run: tools(tool.Filter{Bore: &tool.Bore{Size: smallest, Within: 10_000}})},
		{Name: "all labels", Index: "tool_number", Run: queued(func(b *postgres.Batch) { tool.Labels(b, nil, nil, 501) })},
		{Name: "the labels of a garage", Index: "tool_at_garage", Run: queued(func(b *postgres.Batch) { tool.Labels(b, nil, named("g7"), 501) })},
		{Name: "the list of tools of a model", Index: "tool_of_model", Run: tools(tool.Filter{Model: named("m77")})},
		{Name: "the list of calibrations", Index: "calibration_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.ListCalibrations(b, postgres.ParseRef("m77-3"), at, uuid.Max, 101)
		})},
		{Name: "the list of studies", Index: "gauge_study_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.ListStudies(b, postgres.ParseRef("m77-3"), at, uuid.Max, 101)
		})},
		{Name: "a tool's history of calibrations", Index: "calibration_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.History(b, postgres.ParseRef("m77-3"))
		})},
		{Name: "instruments by name", Index: "calibration_of_tool", Run: queued(func(b *postgres.Batch) {
			tool.Instruments(b, postgres.ParseRef("m77-3"), postgres.ParseRef(uuid.Max.String()))
		})},
	})
	holdCombinations(t, db, club)
}

// holdCombinations holds that whatever is asked for together, every table is read by
// an index and no more than a page or two is sorted. Which index that is may change
// with what else is asked for: of a garage and a model one is enough.
func holdCombinations(t *testing.T, db *pgtest.DB, club uuid.UUID) {
	t.Helper()
	named := func(name string) *postgres.Ref { r := postgres.ParseRef(name); return &r }
	from, until := length.Length(5_100_000), length.Length(5_120_000)
	filters := []struct {
		name string
		set  func(f *tool.Filter)
	}{
		{"kind", func(f *tool.Filter) { f.Kind = tool.Reamer }},
		{"state", func(f *tool.Filter) { f.State = tool.InService }},
		{"free", func(f *tool.Filter) { f.Free = &tool.Stretch{From: at, Until: at.AddDate(0, 0, 3), Now: at} }},
		{"garage", func(f *tool.Filter) { f.Garage = named("g7") }},
		{"model", func(f *tool.Filter) { f.Model = named("m77") }},
		{"size", func(f *tool.Filter) { f.SizeFrom, f.SizeUntil = &from, &until }},
		{"bore", func(f *tool.Filter) { f.Bore = &tool.Bore{Size: from, Within: 10_000} }},
	}
	for chosen := range 1 << len(filters) {
		f, names := tool.Filter{}, []string{}
		for i, one := range filters {
			if chosen>>i&1 == 1 {
				one.set(&f)
				names = append(names, one.name)
			}
		}
		faults := pgtest.Listing{Run: func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, func(b *postgres.Batch) { tool.List(b, f, "m2", 101) })
		}}.Faults(t, db, club)
		for _, fault := range faults {
			if !strings.HasPrefix(fault, "no ") { // of the index, which is not named here
				t.Errorf("tools by %s: %s", strings.Join(names, ", "), fault)
			}
		}
	}
}
