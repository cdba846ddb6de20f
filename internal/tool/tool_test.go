package tool_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/club"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

// shop is a founded club with the garage north.
type shop struct {
	t      *testing.T
	db     *postgres.DB
	club   uuid.UUID
	actor  uuid.UUID
	garage uuid.UUID
}

func newShop(t *testing.T) shop {
	t.Helper()
	db := pgtest.New(t)
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "hollow-lane", Name: "Hollow Lane Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Odile Farrow"}, at)
	if err != nil {
		t.Fatal(err)
	}
	s := shop{t: t, db: &postgres.DB{Pool: db.App}, club: c.ClubID, actor: c.OfficerID, garage: newID()}
	s.write(func(tx *postgres.Tx) {
		club.AddGarage(tx, s.actor, club.Garage{ID: s.garage, Code: "north", Name: "North Yard", TimeZone: "UTC", Opens: "08:00", Closes: "20:00", Version: 1})
	})
	return s
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

func (s shop) write(effects func(tx *postgres.Tx)) {
	s.t.Helper()
	err := s.db.Write(s.t.Context(), s.club, at, func(*postgres.Batch) {}, func(tx *postgres.Tx) error { effects(tx); return nil })
	if err != nil {
		s.t.Fatal(err)
	}
}

// read sends what queue queued and returns its rows.
func read[T any](s shop, queue func(b *postgres.Batch) *postgres.Rows[T]) []T {
	s.t.Helper()
	var rows *postgres.Rows[T]
	if err := s.db.Read(s.t.Context(), s.club, func(b *postgres.Batch) { rows = queue(b) }); err != nil {
		s.t.Fatal(err)
	}
	return rows.Items
}

// add makes a model of the kind and size, and one tool of it with the model's
// code as its number.
func (s shop) add(code string, kind tool.Kind, size string) tool.Tool {
	s.t.Helper()
	m := tool.Model{ID: newID(), Code: code, Name: code, Kind: kind, Parts: 1, Entered: tool.Entered{}, Version: 1}
	entered := func(field, text string) *length.Length {
		q, err := length.Parse(text)
		if err != nil {
			s.t.Fatal(err)
		}
		return m.Entered.Keep(field, &q)
	}
	if size != "" {
		m.Size = entered("size", size)
	}
	if kind.HasScale() {
		m.Resolution = entered("resolution", "0.001 mm")
	}
	var made tool.Tool
	s.write(func(tx *postgres.Tx) {
		tool.AddModel(tx, s.actor, m)
		made = tool.Add(tx, s.actor, tool.Tool{ID: newID(), Number: code, GarageID: s.garage, State: tool.InService}, m)
	})
	return made
}

func day(text string) time.Time {
	d, err := time.Parse(time.DateOnly, text)
	if err != nil {
		panic(err)
	}
	return d
}

func TestInstrumentsComeWithTheirNewestCalibration(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	mic, gauge := s.add("M7", tool.Micrometer, ""), s.add("PG-318", tool.PinGauge, "0.318 in")
	s.add("R8", tool.Reamer, "8 mm")
	deviation := length.Length(-1_270)
	s.write(func(tx *postgres.Tx) {
		for _, c := range []tool.Calibration{
			{CalibratedOn: day("2024-03-01"), DueOn: day("2025-03-01"), Expanded: 2_000, CoverageFactor: 2},
			{CalibratedOn: day("2025-03-01"), DueOn: day("2026-03-01"), Expanded: 1_500, CoverageFactor: 2.1, Deviation: &deviation},
			{CalibratedOn: day("2023-03-01"), DueOn: day("2030-03-01"), Expanded: 3_000, CoverageFactor: 2}, // recorded last, but older
		} {
			c.ID, c.Entered = newID(), tool.Entered{}
			tool.Calibrate(tx, s.actor, mic, c)
		}
	})
	got := read(s, func(b *postgres.Batch) *postgres.Rows[tool.Instrument] {
		return tool.Instruments(b, postgres.ParseRef("M7"), postgres.ParseRef(gauge.ID.String()), postgres.ParseRef("M7"), postgres.ParseRef("nothing"))
	})
	resolution, marked, expanded, k := length.Length(1_000), length.Length(8_077_200), length.Length(1_500), 2.1
	calibrated, due := day("2025-03-01"), day("2026-03-01")
	want := []tool.Instrument{
		{ID: mic.ID, Number: "M7", ModelCode: "M7", Kind: tool.Micrometer, State: tool.InService, Resolution: &resolution, Entered: tool.Entered{"resolution": "0.001 mm"},
			CalibratedOn: &calibrated, DueOn: &due, Expanded: &expanded, CoverageFactor: &k, Deviation: &deviation},
		{ID: gauge.ID, Number: "PG-318", ModelCode: "PG-318", Kind: tool.PinGauge, State: tool.InService, Size: &marked, Entered: tool.Entered{"size": "0.318 in"}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	if none := read(s, func(b *postgres.Batch) *postgres.Rows[tool.Instrument] { return tool.Instruments(b) }); len(none) != 0 {
		t.Errorf("no names found %v", none)
	}
}

func TestToolsOfOneClubAreNotFoundInAnother(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.add("R8", tool.Reamer, "8 mm")
	foreign := s
	foreign.club = newID()
	find := func(b *postgres.Batch) *postgres.Rows[tool.Tool] { return tool.Find(b, postgres.ParseRef("R8")) }
	if own, others := read(s, find), read(foreign, find); len(own) != 1 || len(others) != 0 {
		t.Errorf("found %d in the own club and %d in another", len(own), len(others))
	}
}

func TestKindAndSizesStayAsTheyWereSettled(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	r := s.add("R8", tool.Reamer, "8 mm")
	for _, sql := range []string{
		`update tool_model set size_nm = 9000000 where club_id = $1 and id = $2`,
		`update tool_model set kind = 'drift' where club_id = $1 and id = $2`,
		`update tool set model_id = $2 where club_id = $1`,
		`delete from tool_model where club_id = $1 and id = $2`,
	} {
		err := s.db.Write(t.Context(), s.club, at, func(*postgres.Batch) {}, func(tx *postgres.Tx) error { tx.Queue(sql, s.club, r.ModelID); return nil })
		if err == nil {
			t.Errorf("the serving role may %s", sql)
		}
	}
}

func TestWhatEachKindIs(t *testing.T) {
	t.Parallel()
	type traits struct{ Gauge, Scale, Measures, Cautioned bool }
	want := map[tool.Kind]traits{
		tool.Reamer:           {Cautioned: true},
		tool.Puller:           {Cautioned: true},
		tool.Press:            {Cautioned: true},
		tool.Drift:            {Cautioned: true},
		tool.Other:            {},
		tool.PinGauge:         {Gauge: true, Measures: true},
		tool.PlugGauge:        {Gauge: true, Measures: true},
		tool.Micrometer:       {Scale: true, Measures: true},
		tool.InsideMicrometer: {Scale: true, Measures: true},
		tool.Caliper:          {Scale: true, Measures: true},
		tool.BoreGauge:        {Scale: true, Measures: true},
		tool.TelescopingGauge: {Measures: true},
	}
	got := map[tool.Kind]traits{}
	for _, k := range tool.Kinds() {
		got[k] = traits{k.IsGauge(), k.HasScale(), k.Measures(), k.UsualCaution() != ""}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}
