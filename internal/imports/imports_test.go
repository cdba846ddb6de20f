package imports_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/imports"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/sheet"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func mapped(t *testing.T, kind imports.Kind, text string, wish imports.Wish) (*sheet.Sheet, *imports.Mapping) {
	t.Helper()
	s, err := sheet.Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if wish.Zone == nil {
		wish.Zone = time.UTC
	}
	m, faults := imports.Map(kind, s, wish)
	if len(faults) > 0 {
		t.Fatalf("%v", faults)
	}
	return s, m
}

// Every name and synonym leads to one field, or a column would be guessed by
// the order in which fields are written down.
func TestNamesOfColumnsAreUnambiguous(t *testing.T) {
	t.Parallel()
	for _, kind := range imports.Kinds() {
		seen := map[string]string{}
		for _, f := range imports.Fields(kind) {
			for _, name := range append(f.Synonyms(), f.Name) {
				folded := sheet.Fold(name)
				if name != f.Name && folded != name {
					t.Errorf("%s: the synonym %q is not folded", kind, name)
				}
				if seen[folded] != "" {
					t.Errorf("%s: %q may be %s and %s", kind, name, seen[folded], f.Name)
				}
				seen[folded] = f.Name
			}
			if f.About == "" || !strings.HasPrefix(f.Pointer, "/") {
				t.Errorf("%s: %s says nothing of itself", kind, f.Name)
			}
		}
		if len(imports.Template(kind)) == 0 {
			t.Errorf("%s has no template", kind)
		}
	}
}

func TestCellsBecomeValuesOfBodies(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name    string
		kind    imports.Kind
		text    string
		wish    imports.Wish
		want    string // the first row's body; of a tool the model's
		assumed string
	}{
		{"roles", imports.Members, "number,name,role\n1,a,\"Officer, tool keeper\"\n", imports.Wish{}, `{"name":"a","number":"1","roles":["officer","tool_keeper"]}`, ""},
		{"a size by its column", imports.Tools, "number,model,kind,Größe,size [in]\n1,m,Pin-Gauge,x,0.3180\n", imports.Wish{}, `{"kind":"pin_gauge","size":"0.3180 in"}`, ""},
		{"a size by its cell", imports.Tools, "number,model,diameter\n1,m,9.12µm\n", imports.Wish{}, `{"size":"9.12 um"}`, ""},
		{"a size by the request", imports.Tools, "number;model;diameter\n1;m;9,120\n", imports.Wish{Unit: "thou"}, `{"size":"9.120 thou"}`, "assumed_decimal_comma assumed_unit"},
		{"a price with its currency before it", imports.Tools, "number,model,fee\n1,m,KWD 1.250\n", imports.Wish{}, `{"charge_per_use":{"currency":"KWD","minor":1250}}`, ""}, // ISO 4217: three decimals
		{"a price by its column", imports.Tools, "number,model,fee (JPY)\n1,m,1250\n", imports.Wish{}, `{"charge_per_use":{"currency":"JPY","minor":1250}}`, ""},              // ISO 4217: none
		{"a price of the club", imports.Tools, "number,model,fee\n1,m,0.05\n", imports.Wish{}, `{"charge_per_use":{"currency":"EUR","minor":5}}`, ""},
		{"a set of one joint", imports.Joints, "vehicle,template,position,largest clearance (um)\nv,t,p,38\n", imports.Wish{}, `{"positions":["p"],"target":{"clearance_max":"38 um"},"template":"t","vehicle":"v"}`, ""},
		{"a gauge by its size", imports.Readings, "joint,date,gauge,result\nj,2026-05-01T10:00:00+02:00,0.318 in,No-Go\n", imports.Wish{}, `{"gauge":"0.318 in","joint":"j","result":"no_go","taken_at":"2026-05-01T10:00:00+02:00"}`, ""},
		{"a gauge by its number", imports.Readings, "joint,date,gauge (mm)\nj,2026-05-01,G-61\n", imports.Wish{}, `{"gauge":"G-61","joint":"j","taken_at":"2026-05-01T12:00:00Z"}`, "assumed_time_zone assumed_noon"},
		{"flags and temperature", imports.Readings, "joint,date,deburred,part length,temp (°F)\nj,2026-05-01T10:00:00Z,Yes,0,68\n", imports.Wish{}, `{"deburred":true,"joint":"j","part_length":false,"taken_at":"2026-05-01T10:00:00Z","temperature":{"unit":"[degF]","value":68}}`, ""},
		{"a day in a zone where the clocks change that night", imports.Readings, "joint,date\nj,29.3.2026\n", imports.Wish{Zone: zone(t, "Europe/Lisbon")}, `{"joint":"j","taken_at":"2026-03-29T12:00:00+01:00"}`, "assumed_time_zone assumed_noon"},
		{"numbers as JSON writes them", imports.Vehicles, "code,name,year\nv,n,+1937\n", imports.Wish{}, `{"built_year":1937,"code":"v","name":"n"}`, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, m := mapped(t, tc.kind, tc.text, tc.wish)
			bodies, assumed := m.Bodies(s, "EUR")
			object := bodies[0].Thing
			if tc.kind == imports.Tools {
				object = bodies[0].Model
			}
			got, err := json.Marshal(object)
			var codes []string
			for _, a := range assumed {
				codes = append(codes, a.Code)
			}
			if diff := cmp.Diff(tc.want, string(got)); diff != "" || err != nil || strings.Join(codes, " ") != tc.assumed {
				t.Errorf("assumed %v, faults %v %v, %v:\n%s", codes, bodies[0].Faults, bodies[0].OfModel, err, diff)
			}
		})
	}
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Whatever stands in a sheet: a body is JSON, and every fault finds its column.
func FuzzBodies(f *testing.F) {
	for _, text := range []string{"joint,date,value (mm),gauge,temperature (C)\nj,1.5.2026,\"9,12\",G-1,20\n", "number,model,kind,size,fee,range_from_mm\n1,m,reamer,9 mm,2.50 EUR,-.5\n", "number;name;roles\n1;'=x;a+b\n", "vehicle,template,position,fit,clearance_min\nv,t,p,H7/g6,1e3 um\n"} {
		for kind := range imports.Kinds() {
			f.Add(uint8(kind), []byte(text))
		}
	}
	f.Fuzz(func(t *testing.T, kind uint8, text []byte) {
		s, err := sheet.Read(text)
		if err != nil {
			return
		}
		m, faults := imports.Map(imports.Kinds()[int(kind)%len(imports.Kinds())], s, imports.Wish{Zone: time.UTC})
		for _, fault := range faults {
			if fault.Pointer == "" || fault.Detail == "" {
				t.Fatalf("%+v", fault)
			}
		}
		bodies, _ := m.Bodies(s, "EUR")
		if len(bodies) != len(s.Rows) {
			t.Fatalf("%d bodies of %d rows", len(bodies), len(s.Rows))
		}
		for _, b := range bodies {
			for _, object := range []map[string]any{b.Thing, b.Model} {
				if _, err := json.Marshal(object); err != nil {
					t.Fatalf("%v: %v", object, err)
				}
			}
			for _, fault := range b.Faults {
				if m.Column(fault.Pointer, false) == "" {
					t.Fatalf("%+v is of no column", fault)
				}
			}
			for _, fault := range b.OfModel {
				if m.Column(fault.Pointer, true) == "" {
					t.Fatalf("%+v is of no column", fault)
				}
			}
		}
	})
}

func TestImportsAreListedByTheirKey(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 50) n`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm', 'Member', '{member}' from club;
		insert into import (club_id, id, kind, member_id, created_at, created, existing, refused, report)
		select m.club_id, gen_random_uuid(), 'members', m.id, '2026-01-01', 0, 0, 0, '' from member m, generate_series(1, 400) n;
		insert into import_made (club_id, import_id, thing, thing_id, row_number)
		select club_id, id, 'member', gen_random_uuid(), 1 from import, generate_series(1, 3);
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), id, queue) }
	}
	after := uuid.MustParse("80000000-0000-4000-8000-000000000000")
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{
		{Name: "the list of imports", Index: "import_pkey", Run: queued(func(b *postgres.Batch) { imports.List(b, after, 101) })},
		{Name: "an import", Index: "import_pkey", Run: queued(func(b *postgres.Batch) { imports.Find(b, after) })},
		{Name: "what an import made", Index: "import_made_pkey", Run: queued(func(b *postgres.Batch) { imports.Making(b, after) })},
	})
}
