package api_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/imports"
)

// sheetFile is one of the invented club's spreadsheets.
func sheetFile(t testing.TB, kind string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "testdata", "sheets", kind+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// bring sends a sheet; query goes behind kind=….
func (w *world) bring(token, kind, query, text string, headers ...header) *response {
	w.t.Helper()
	return w.do("POST", w.at("imports?kind="+kind+query), token, raw(text), append([]header{{"Content-Type", "text/csv"}}, headers...)...)
}

// mews makes the garage that the sheets name.
func (w *world) mews() *world {
	w.t.Helper()
	w.do("POST", w.at("garages"), w.officer, row{"code": "mews", "name": "Mews", "time_zone": "Europe/Lisbon"}).want(201)
	return w
}

// bringAll brings in the sheets up to and with last, but those of models and kits, or
// all where last is empty, and returns their imports by kind.
func (w *world) bringAll(last string) map[string]*response {
	w.t.Helper()
	out := map[string]*response{}
	for _, kind := range imports.Kinds() {
		if last != "" && (kind == imports.ToolModels || kind == imports.Kits) { // what tools need comes with them
			continue
		}
		out[string(kind)] = w.bring(w.officer, string(kind), "", sheetFile(w.t, string(kind))).want(201)
		if string(kind) == last {
			break
		}
	}
	return out
}

// report is what is the same of a rehearsal, of the refusal and of the import.
func (r *response) report() map[string]any {
	r.t.Helper()
	out := r.json()
	for _, inside := range []string{"report"} {
		if nested, ok := out[inside].(map[string]any); ok {
			out = nested
		}
	}
	delete(out, "dry_run")
	delete(out, "do_next")
	for _, line := range out["rows"].([]any) {
		delete(line.(map[string]any), "id")
	}
	return out
}

func statuses(r *response) []string {
	r.t.Helper()
	var out []string
	for _, line := range r.report()["rows"].([]any) {
		one := line.(map[string]any)
		out = append(out, fmt.Sprint(one["row"], " ", one["status"], " ", one["name"]))
	}
	return out
}

func TestSheetsOfEveryKindComeIn(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	made := w.bringAll("readings")
	for kind, want := range map[string][]string{
		"members":  {"2 created M-41", "3 created M-42", "4 created M-43", "6 created M-44"}, // row 5 is blank
		"tools":    {"2 created R-61", "3 created R-62", "4 created G-61", "5 created C-61"},
		"vehicles": {"2 created tern", "3 created loach"},
		"joints":   {"2 created tern/front-left-upper", "3 created tern/front-left-lower", "4 created tern/clutch-pedal", "5 created loach/front-left-upper"},
		"readings": {"2 created tern/front-left-upper", "3 created tern/front-left-upper", "4 created tern/front-left-lower", "5 created tern/clutch-pedal", "6 created loach/front-left-upper"},
	} {
		if diff := cmp.Diff(want, statuses(made[kind])); diff != "" {
			t.Errorf("%s (-want +got):\n%s", kind, diff)
		}
	}

	m := w.do("GET", w.at("members/M-42"), w.officer, nil).want(200)
	if m.str("name") != "Fenn, Odile" || fmt.Sprint(m.get("roles")) != "[member tool_keeper]" || m.str("garage_id") == "" {
		t.Errorf("member %s", m.body)
	}
	if got := w.do("GET", w.at("members/M-43"), w.officer, nil).want(200); got.str("name") != "Järvi Tamsin" || fmt.Sprint(got.get("roles")) != "[member]" {
		t.Errorf("member %s", got.body)
	}
	if warned := made["members"].get("report", "warnings", 0, "params", "column"); warned != "Locker" || made["members"].str("report", "columns", 4, "how") != "not_taken" {
		t.Errorf("a column that fits nothing is not told: %s", made["members"].body)
	}

	tool := w.do("GET", w.at("tools/R-61"), w.officer, nil).want(200)
	if tool.str("note") != "=see drawer 2" || tool.str("model_code") != "reamer-9.500" {
		t.Errorf("tool %s", tool.body)
	}
	model := w.do("GET", w.at("tool-models/reamer-9.500"), w.officer, nil).want(200)
	if model.str("name") != "Reamer für 9,500 mm" || model.str("entered", "size") != "9.500 mm" || model.str("charge_per_use", "text") != "2.50 EUR" || !strings.Contains(model.str("caution"), "Rotating") {
		t.Errorf("model %s", model.body)
	}
	if got := made["tools"].get("report", "rows", 0, "also_made", 0); got != "reamer-9.500" {
		t.Errorf("row 2 also made %v", got)
	}
	if codes := codesAt(made["tools"], "report", "assumed"); !slices.Equal(codes, []string{"assumed_encoding", "assumed_separator", "assumed_decimal_comma"}) {
		t.Errorf("assumed %v", codes)
	}

	v := w.do("GET", w.at("vehicles/tern"), w.officer, nil).want(200)
	if v.str("name") != "Tern coupé" || v.num("built_year") != 1937 || v.str("chassis_number") != "T 1187" || v.str("member_id") != w.do("GET", w.at("members/M-41"), w.officer, nil).str("id") {
		t.Errorf("vehicle %s", v.body)
	}
	j := w.do("GET", w.at("joints/clutch-pedal"), w.officer, nil).want(200)
	if j.str("target", "fit") != "H8/f7" || j.str("template_code") != "pedal-pivot" || j.str("features", 0, "nominal", "text") != "10 mm" {
		t.Errorf("joint %s", j.body)
	}

	readings := w.do("GET", w.at("readings?vehicle=tern"), w.officer, nil).want(200)
	if n := len(readings.get("items").([]any)); n != 4 {
		t.Fatalf("%d readings of the tern, want 4: two equal ones are two", n)
	}
	if at := readings.str("items", 0, "taken_at"); at != "2026-05-02T12:00:00Z" {
		t.Errorf("taken at %s", at)
	}
	if got := readings.str("items", 0, "entered", "unit"); got != "in" {
		t.Errorf("entered in %s", got)
	}
}

func codesAt(r *response, path ...any) []string {
	r.t.Helper()
	var out []string
	list, _ := r.get(path...).([]any)
	for _, item := range list {
		out = append(out, fmt.Sprint(item.(map[string]any)["code"]))
	}
	return out
}

func TestTheSameSheetAgainMakesNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("")
	before := w.count()
	for _, kind := range imports.Kinds() {
		r := w.bring(w.officer, string(kind), "", sheetFile(t, string(kind))).want(201)
		if r.num("created") != 0 || r.num("refused") != 0 || r.num("existing") != r.num("report", "rows_read") {
			t.Errorf("%s again: %s", kind, r.body)
		}
	}
	after := w.count()
	for _, table := range []string{"import", "event", "answer"} { // that it came in again is told
		delete(before, table)
		delete(after, table)
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("rows before and after:\n%s", diff)
	}

	// The same readings in another order, with one more, by other names of the same places.
	lines := strings.Split(strings.TrimSpace(sheetFile(t, "readings")), "\r\n")
	slices.Reverse(lines[1:])
	longer := strings.Join(append(lines, "4.5.2026;tern;front-left-lower;9,09 mm;;C-61;;;rusty"), "\n")
	if r := w.bring(w.officer, "readings", "", longer).want(201); r.num("created") != 1 || r.num("existing") != 5 {
		t.Errorf("the longer sheet: %s", r.body)
	}
}

// count is how many rows every table has.
func (w *world) count() map[string]string {
	out := map[string]string{}
	for _, line := range w.rows() {
		table, n, _ := strings.Cut(line, " ")
		if table != "head" || !strings.Contains(n, " ") {
			out[table] = n
		}
	}
	return out
}

// A rehearsal runs everything and leaves nothing: no row, no event, no value of
// a sequence; and it tells what the import then tells.
func TestARehearsalLeavesNoTraceAndTellsTheSame(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	for _, kind := range imports.Kinds() {
		text := sheetFile(t, string(kind))
		before := w.rows()
		tried := w.bring(w.officer, string(kind), "&dry_run=true", text).want(200)
		if diff := cmp.Diff(before, w.rows()); diff != "" {
			t.Errorf("%s: the rehearsal left (-before +after):\n%s", kind, diff)
		}
		if tried.get("dry_run") != true || tried.get("rows", 0, "id") != nil || tried.str("do_next", 0, "code") != "import_it" {
			t.Errorf("%s: %s", kind, tried.body)
		}
		done := w.bring(w.officer, string(kind), "", text).want(201)
		if diff := cmp.Diff(tried.report(), done.report()); diff != "" {
			t.Errorf("%s: (-rehearsal +import):\n%s", kind, diff)
		}
	}
	var sequences int
	if err := w.db.Owner.QueryRow(t.Context(), `select count(*) from pg_sequences`).Scan(&sequences); err != nil || sequences != 0 {
		t.Errorf("there are %d sequences (%v); hold in this test that a rehearsal draws nothing from them", sequences, err)
	}

	bad := "number,name,garage\nM-60,Fine Person,mews\nM-61,,nowhere\n"
	tried := w.bring(w.officer, "members", "&dry_run=true", bad).want(200)
	refused := w.bring(w.officer, "members", "", bad).want(422).wantProblem("rows-refused")
	if diff := cmp.Diff(tried.report(), refused.report()); diff != "" {
		t.Errorf("(-rehearsal +refusal):\n%s", diff)
	}
	if tried.num("created") != 1 || tried.num("refused") != 1 {
		t.Errorf("%s", tried.body)
	}
}

// The constraints of the database have their say in a rehearsal.
func TestARehearsalRunsIntoConstraints(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	if _, err := w.db.Owner.Exec(t.Context(), `alter table member add constraint no_seventeen check (number <> 'M-17')`); err != nil {
		t.Fatal(err)
	}
	w.bring(w.officer, "members", "&dry_run=true", "number,name\nM-16,A\n").want(200)
	w.bring(w.officer, "members", "&dry_run=true", "number,name\nM-17,A\n").want(500)
}

func TestAnImportIsReplayedByItsKey(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	key := header{"Idempotency-Key", newID()}
	first := w.bring(w.officer, "members", "", sheetFile(t, "members"), key).want(201)
	again := w.bring(w.officer, "members", "", sheetFile(t, "members"), key).want(201)
	if !bytes.Equal(first.body, again.body) || again.header.Get("Idempotency-Replayed") != "true" || again.header.Get("Location") != first.header.Get("Location") {
		t.Errorf("replayed otherwise:\n%s\n%s", first.body, again.body)
	}
	w.bring(w.officer, "members", "", "number,name\nM-70,Other\n", key).want(422).wantProblem("key-reused")
	got := w.do("GET", first.header.Get("Location"), w.officer, nil).want(200)
	if diff := cmp.Diff(first.json(), got.json()); diff != "" {
		t.Errorf("the import is kept otherwise than answered:\n%s", diff)
	}
	w.do("GET", first.header.Get("Location"), w.officer, nil, header{"If-None-Match", got.header.Get("ETag")}).want(304)
	list := w.do("GET", w.at("imports?limit=1"), w.officer, nil).want(200)
	if list.str("items", 0, "id") != first.str("id") || list.get("items", 0, "report") != nil {
		t.Errorf("the list %s", list.body)
	}
}

// Events, one for each thing and one for the import, in the chain.
func TestAnImportIsInTheJournal(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	readings := newWorld(t).mews()
	taken := readings.bringAll("readings")["readings"]
	readings.do("POST", readings.at("imports/"+taken.str("id")+"/revert"), readings.officer, row{"reason": "only a trial"}).want(200)
	readings.events(map[string]int{"reading.created": 5, "reading.voided": 5, "import.created": 5, "import.reverted": 1})

	made := w.bringAll("joints")
	want := map[string]int{"member.created": 5, "tool.created": 4, "tool_model.created": 3, "vehicle.created": 2, "joint.created": 4, "import.created": 4}
	for _, kind := range []string{"joints", "vehicles", "tools", "members"} {
		w.do("POST", w.at("imports/"+made[kind].str("id")+"/revert"), w.officer, row{"reason": "only a trial"}).want(200)
	}
	for kind, n := range map[string]int{"member.removed": 4, "tool.removed": 4, "tool_model.removed": 3, "vehicle.removed": 2, "joint.removed": 4, "import.reverted": 4} {
		want[kind] = n
	}
	w.events(want)
}

// events holds how many events of some types the journal has.
func (w *world) events(want map[string]int) {
	w.t.Helper()
	for kind, n := range want {
		var got int
		if err := w.db.Owner.QueryRow(w.t.Context(), `select count(*) from event where club_id = $1 and type = $2`, w.club.ClubID, kind).Scan(&got); err != nil || got != n {
			w.t.Errorf("%s: %d events (%v), want %d", kind, got, err, n)
		}
	}
}

// What a sheet may hold is text, whatever it looks like to a spreadsheet.
func TestCellsThatLookLikeFormulasStayText(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	cells := map[string]string{"=1+1": "=1+1", "'=1+1": "=1+1", "'@x": "@x", "'-5": "-5", "'+5": "+5", "'quoted": "'quoted", "+49": "+49", "=HYPERLINK(\"a\")": "=HYPERLINK(\"a\")"}
	text, n := "number,name\n", 0
	want := map[string]string{}
	for in, out := range cells {
		n++
		text += fmt.Sprintf("F-%d,\"%s\"\n", n, strings.ReplaceAll(in, `"`, `""`))
		want[fmt.Sprint("F-", n)] = out
	}
	w.bring(w.officer, "members", "", text).want(201)
	for number, name := range want {
		if got := w.do("GET", w.at("members/"+number), w.officer, nil).want(200).str("name"); got != name {
			t.Errorf("%s is called %q, want %q", number, got, name)
		}
	}
}

func TestImportTemplatesComeInAsTheyAre(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, row{"code": "north", "name": "North", "time_zone": "UTC"}).want(201)
	for _, kind := range imports.Kinds() {
		got := w.do("GET", "/v1/import-templates/"+string(kind), "", nil).want(200)
		if !strings.HasPrefix(got.header.Get("Content-Type"), "text/csv") {
			t.Errorf("%s is %s", kind, got.header.Get("Content-Type"))
		}
		r := w.bring(w.officer, string(kind), "", string(got.body)).want(201)
		if r.num("created") != 1 {
			t.Errorf("%s: %s", kind, r.body)
		}
		columns := map[string]bool{}
		for i := range r.get("report", "columns").([]any) {
			if r.str("report", "columns", i, "how") != "name" {
				t.Errorf("%s: %v", kind, r.get("report", "columns", i))
			}
			columns[r.str("report", "columns", i, "field")] = true
		}
		for _, f := range imports.Fields(kind) {
			if !columns[f.Name] {
				t.Errorf("the template of %s has no column for %s", kind, f.Name)
			}
		}
	}
	w.do("GET", "/v1/import-templates/recipes", "", nil).want(422).wantProblem("invalid-request").wantFault("{kind}")
}

// What a list gives out as CSV comes in again as it was: nothing is new, nothing
// is to mend, formula-like notes and lists of roles included.
func TestListsAsCSVComeInAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("joints")
	w.do("PATCH", w.at("tools/R-62"), w.officer, row{"note": "''=odd, \"quoted\""}, header{"If-Match", "*"}).want(200)
	for kind, list := range map[string]string{"members": "members", "tools": "tools", "vehicles": "vehicles", "joints": "vehicles/tern/joints"} {
		out := w.do("GET", w.at(list), w.officer, nil, header{"Accept", "text/csv"}).want(200)
		r := w.bring(w.officer, kind, "&dry_run=true", string(out.body)).want(200)
		if r.num("existing") != r.num("rows_read") || r.num("rows_read") < 2 {
			t.Errorf("%s:\n%s\n%s", kind, out.body, r.body)
		}
		for _, at := range r.get("columns").([]any) {
			c := at.(map[string]any)
			if c["column"] == "garage_id" && c["field"] != "garage" || c["column"] == "roles" && c["field"] != "roles" {
				t.Errorf("%s: %v", kind, c)
			}
		}
	}
}

// What lists of models, tools and kits give out as CSV makes the same things again
// where they are gone: all that was said of them, as it was entered.
func TestModelsToolsAndKitsMakeTheRoundTrip(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.do("POST", w.at("garages"), w.officer, row{"code": "quay", "name": "Quay", "time_zone": "UTC"}).want(201)
	w.bring(w.officer, "tool_models", "", sheetFile(t, "tool_models")).want(201)
	w.bring(w.officer, "tools", "", "number,model,garage,present place,condition,worth,deposit,inspection due,note\nX-1,reamer-9.700,mews,quay,worn,40.50,8,2027-02-28,'=x\nX-2,reamer-9.700,mews,,,,,,\n"+
		"P-1,puller-80,mews,,,,,,\nS-1,reamer-set-9,quay,,incomplete,,,,two blades missing\n").want(201)
	w.bring(w.officer, "kits", "", "code,name,contents,note\nbox,Box,X-1|any reamer-9.700|P-1,\"red, with a lid\"\ntwo,Two,any reamer-9.700;any reamer-9.700,\n").want(201)
	lists := []string{"tool-models", "tools", "kits"}
	kinds := []string{"tool_models", "tools", "kits"}
	sheets, before := map[string]string{}, map[string]any{}
	// bare is a list without what the service gives out itself.
	bare := func(list string) any {
		t.Helper()
		items := w.do("GET", w.at(list), w.officer, nil).want(200).get("items")
		var strip func(v any)
		strip = func(v any) {
			switch v := v.(type) {
			case []any:
				for _, one := range v {
					strip(one)
				}
			case map[string]any:
				for _, name := range []string{"id", "model_id", "tool_id", "version"} {
					delete(v, name)
				}
				for _, one := range v {
					strip(one)
				}
			}
		}
		strip(items)
		return items
	}
	for _, list := range lists {
		sheets[list] = string(w.do("GET", w.at(list), w.officer, nil, header{"Accept", "text/csv"}).want(200).body)
		before[list] = bare(list)
	}
	for i, list := range lists { // all is there already
		if r := w.bring(w.officer, kinds[i], "&dry_run=true", sheets[list]).want(200); r.num("existing") != r.num("rows_read") || r.num("rows_read") < 2 {
			t.Errorf("%s:\n%s\n%s", list, sheets[list], r.body)
		}
	}
	imported := w.do("GET", w.at("imports"), w.officer, nil).want(200)
	for i := range imported.get("items").([]any) {
		w.do("POST", w.at("imports/"+imported.str("items", i, "id")+"/revert"), w.officer, row{"reason": "to see them come back"}).want(200)
	}
	for _, list := range lists {
		if n := len(bare(list).([]any)); n != 0 {
			t.Fatalf("%d %s are left after all was taken back", n, list)
		}
	}
	for i, list := range lists {
		r := w.bring(w.officer, kinds[i], "", sheets[list]).want(201)
		if r.num("created") != r.num("report", "rows_read") {
			t.Errorf("%s: %s", list, r.body)
		}
		if diff := cmp.Diff(before[list], bare(list)); diff != "" {
			t.Errorf("%s (-before +after the round trip):\n%s", list, diff)
		}
	}
}

// Each row tells its own faults, with the column that they stand in.
func TestRowsOfModelsAndKitsTellTheirFaults(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("tools")
	r := w.bring(w.officer, "tool_models", "&dry_run=true", "code,name,kind,size (mm),flutes,jaw reach (mm),parts,deposit\n"+
		"a,A,reamer,9.5,spiral,,2,5 EUR\nb,B,press,,spiral,,,\nc,C,reamer,9.5,,80,,\nd,D,puller,,,80,none,\ne,E,reamer,9.5,,,,5 CHF\na,A,reamer,9.5,,,,\nreamer-9.500,\"Reamer f\u00fcr 9,500 mm\",reamer,9.6,,,,\n").want(200)
	if r.num("created") != 1 || r.num("refused") != 6 {
		t.Errorf("%s", r.body)
	}
	for row, column := range map[int]string{1: "flutes", 2: "jaw reach (mm)", 3: "parts", 4: "deposit", 5: "code", 6: "size (mm)"} {
		if got := r.str("rows", row, "errors", 0, "column"); got != column {
			t.Errorf("the fault of row %d stands in %q, want %q: %v", row+2, got, column, r.get("rows", row))
		}
	}
	k := w.bring(w.officer, "kits", "&dry_run=true", "code,name,contents\na,A,R-61 | any reamer-9.500\nb,B,R-99\nc,C,any nothing\nd,D,R-61 | R-61\ne,E,\n").want(200)
	if k.num("created") != 1 || k.num("refused") != 4 {
		t.Errorf("%s", k.body)
	}
	for row := 1; row < 5; row++ {
		if got := k.str("rows", row, "errors", 0, "column"); got != "contents" {
			t.Errorf("the fault of row %d stands in %q: %v", row+2, got, k.get("rows", row))
		}
	}
	w.bring(w.as("member"), "kits", "", sheetFile(t, "kits")).want(403).wantProblem("missing-role")
	w.bring(w.officer, "kits", "", sheetFile(t, "kits")).want(201)
	other := w.bring(w.officer, "kits", "", "code,name,contents\ncutters,Cutters,any reamer-9.500\n").want(422).wantProblem("rows-refused")
	if !strings.Contains(other.str("report", "rows", 0, "errors", 0, "detail"), "any reamer-9.500 | any reamer-9.500") {
		t.Errorf("a kit that holds something else: %s", other.body)
	}
}
