package api_test

import (
	"fmt"
	"net/url"
	"strings"
	"sync"
	"testing"

	"pinwright/internal/sheet"
)

// faultsOf lists the faults of a report's rows as "row column: detail".
func faultsOf(r *response) []string {
	r.t.Helper()
	var out []string
	for _, line := range r.report()["rows"].([]any) {
		one := line.(map[string]any)
		list, _ := one["errors"].([]any)
		for _, f := range list {
			fault := f.(map[string]any)
			column, _ := fault["column"].(string)
			out = append(out, fmt.Sprintf("%v %s: %v", one["row"], column, fault["detail"]))
		}
	}
	return out
}

// Each fault is told in the sheet's own words, all of a sheet at once. The rows
// are such as a single POST refuses, and some that only a sheet can get wrong.
func TestFaultsAreToldByRowAndColumn(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("joints")
	for _, tc := range []struct {
		kind, query, text string
		faults            []string // in the order of the rows: row, column, and words of the detail
	}{
		{"members", "", "No;Full name;Roles;Garage\n" +
			";Nobody;;\nM-80;;;\nM 81;Blank Inside;;\nM-82;Odd Role;pilot;\nM-83;Away;;attic\nM-84;Twice;;\nM-84;Twice;;\nM-41;Another Name;;\nM-85;Too;many;mews;cells\n", []string{
			"2 No|is needed", "3 Full name|is needed", "4 No|letters, digits", "5 Roles|use one of", "6 Garage|there is no “attic”", "8 No|stands in row 7", "9 Full name|is on record with another name", "10 |right of the last column", "10 Roles|use one of",
		}},
		{"tools", "", "number,model,garage,kind,size (mm),resolution (mm),state,charge,class\n" +
			"T-1,none-such,mews,,,,,,\nT-2,new-a,mews,reamer,,,,,\nT-3,new-a,mews,,,,,,\nT-4,new-b,mews,caliper,9,0.01,,,\nT-5,new-c,mews,spoon,,,,,\nT-6,reamer-9.500,mews,,9.400,,,,\nT-7,reamer-9.500,mews,,,,broken,,\nT-8,new-d,mews,puller,,,,1.234,\nT-9,new-e,mews,puller,,,,2.50 USD,\nT-10,new-f,mews,puller,,,,1 frog,\nT-11,reamer-9.500,nowhere,,,,,,\nR-61,pin-9.490,mews,,,,,,\nT-12,new-g,mews,reamer,9 inch,,,,\nT-13,new-h,mews,pin gauge,0.35 in,,,,\nT-14,new-i,mews,pin gauge,8,,,,Q\n", []string{
			"2 model|there is no tool model “none-such”", "3 size (mm)|is needed", "4 model|to mend in row 3", "5 size (mm)|does not go with", "6 kind|use one of", "7 size (mm)|has 9.5 mm here", "8 state|use one of", "9 charge|more decimals than EUR", "10 charge|reckons in EUR", "11 charge|no known currency", "12 garage|there is no “nowhere”", "13 model|is on record with \"reamer-9.500\"", "14 size (mm)|no known unit", "15 size (mm)|make them agree", "16 class|use one of",
		}},
		{"vehicles", "", "code,name,chassis,year,owner,garage\n" +
			"v1,A,,1837,,\nv2,B,,nineteen,,\nv3,C,,,M-999,\nv4,D,1M8GDM9AXKP04278O,,,\ntern,Tern coupé,T 1187,1938,,\nv5,E,,,,attic\n", []string{
			"2 year|at least 1880", "3 year|no number", "4 owner|is no member", "5 chassis|", "6 year|is on record with 1937", "7 garage|there is no “attic”",
		}},
		{"joints", "", "vehicle,template,position,nominal (mm),series,fit,least clearance,largest clearance (um)\n" +
			"nowhere,door-hinge,a,,,,,\ntern,none,a,,,,,\ntern,door-hinge,front-left-upper,9.5,,,,\ntern,door-hinge,a,-1,,,,\ntern,door-hinge,b,9,none,,,\ntern,door-hinge,c,9,,H99,,\ntern,door-hinge,d,9,,,0.01,\ntern,door-hinge,e f,9,,,,\n,door-hinge,g,9,,,,\ntern,door-hinge,0192f0c1-2a3b-7c4d-8e5f-60718293a4b5,9,,,,\ntern,door-hinge,h,9,,,,\ntern,door-hinge,h,9,,,,\n", []string{
			"2 vehicle|there is no “nowhere”", "3 template|there is no “none”", "4 nominal (mm)|is on record with 9 mm", "5 nominal (mm)|larger than zero", "6 series|there is no “none”", "7 fit|", "8 least clearance|has no unit", "9 position|letters, digits", "10 vehicle|is needed", "11 position|looks like an id", "13 position|stands in row 12",
		}},
		{"readings", "", "date,vehicle,joint,value,with,instrument,gauge (mm),result,temperature,id,end\n" +
			"2026-05-01,tern,nowhere,9 mm,caliper,,,,,,\n2026-05-01,,front-left-upper,9 mm,caliper,,,,,,\n01/02/2026,tern,front-left-upper,9 mm,caliper,,,,,,\n,tern,front-left-upper,9 mm,caliper,,,,,,\n2126-05-01,tern,front-left-upper,9 mm,caliper,,,,,,\n2026-05-01,tern,front-left-upper,9,caliper,,,,,,\n2026-05-01,tern,front-left-upper,9 mm,,,,,,,\n2026-05-01,tern,front-left-upper,9 mm,,X-1,,,,,\n2026-05-01,tern,front-left-upper,,,,9.5,,,,\n2026-05-01,tern,front-left-upper,,,,9.5,perhaps,,,\n2026-05-01,tern,front-left-upper,9 mm,caliper,,,,20,,\n2026-05-01,tern,front-left-upper,9 mm,caliper,,,,,7,\n2026-05-01,tern,front-left-upper,9 mm,caliper,,,,,,a\n2026-05-01,tern,front-left-upper,1.234,caliper,,,,,,\n2026-05-01,tern,front-left-upper,\"1,234 mm\",caliper,,,,,,\n2026-05-01,tern,front-left-upper,\"1.234,5 mm\",caliper,,,,,,\n2026-05-01,tern,front-left-upper,,,,,,,,\n", []string{
			"2 joint|there is no joint", "3 joint|fits several things", "4 date|day and month could be mistaken", "5 date|is needed", "6 date|lies in the future", "7 value|has no unit", "8 with|is needed with a value", "9 instrument|there is no tool “X-1”", "10 result|is needed with a gauge", "11 result|use one of", "12 temperature|has no unit", "13 id|36 characters", "14 end|belongs to a gauge", "15 value|has no unit", "16 value|may be a thousand", "17 value|both a point and a comma", "18 |neither value nor gauge",
		}},
	} {
		t.Run(tc.kind, func(t *testing.T) {
			r := w.bring(w.officer, tc.kind, tc.query, tc.text).want(422).wantProblem("rows-refused")
			got := faultsOf(r)
			for i, want := range tc.faults {
				at, words, _ := strings.Cut(want, "|")
				if i >= len(got) || !strings.HasPrefix(got[i], at+": ") || !strings.Contains(got[i], words) {
					t.Fatalf("fault %d is not %q:\n%s", i+1, want, strings.Join(got, "\n"))
				}
			}
			if len(got) != len(tc.faults) {
				t.Errorf("%d faults, want %d:\n%s", len(got), len(tc.faults), strings.Join(got, "\n"))
			}
		})
	}
	if got := w.bring(w.officer, "readings", "", "date,joint,value (mm),with\n2026-05-01,front-left-upper,9,caliper\n").want(422); got.get("report", "rows", 0, "errors", 0, "candidates", 1) == nil {
		t.Errorf("an ambiguous joint has no candidates: %s", got.body)
	}
}

// What is wrong with the sheet as a whole is told before any row is looked at.
func TestSheetsAndColumnsThatCannotBeUnderstood(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := url.QueryEscape
	for _, tc := range []struct {
		name, kind, query, text string
		status                  int
		code, at, says          string
	}{
		{"no column for what is needed", "members", "", "number,nickname\n1,a\n", 422, "invalid-request", "#row=1", "no column is name"},
		{"two columns of one meaning", "members", "", "\nnumber,name,Full name\n1,a,b\n", 422, "invalid-request", "#row=2", `"name" and "Full name" would all be name`},
		{"a map to no column", "members", "&map=" + q("Nick=name"), "number,name\n1,a\n", 422, "invalid-request", "?map", `there is no column "Nick"`},
		{"a map to no field", "members", "&map=" + q("name=nick"), "number,name\n1,a\n", 422, "invalid-request", "?map", `no field "nick"`},
		{"a map of no form", "members", "&map=name", "number,name\n1,a\n", 422, "invalid-request", "?map", "column=field"},
		{"what is ignored is not there", "members", "&ignore=x", "number,name\n1,a\n", 422, "invalid-request", "?ignore", `no column "x"`},
		{"no time zone", "readings", "&time_zone=Atlantis/Main", "joint,date,value\na,2026-05-01,9 mm\n", 422, "invalid-request", "?time_zone", "IANA"},
		{"no kind of sheet", "recipes", "", "number,name\n1,a\n", 422, "invalid-request", "?kind", "use one of"},
		{"an open quote", "members", "", "number,name\n1,\"a\n", 400, "malformed-request", "", "row 2"},
		{"a header only", "members", "", "number,name\n", 400, "malformed-request", "", "no row below"},
		{"a workbook", "members", "", "PK\x03\x04", 400, "malformed-request", "", "save the sheet as CSV"},
		{"too many rows", "members", "", "number,name\n" + strings.Repeat("1,a\n", sheet.MostRows+1), 413, "too-large", "", "split the sheet"},
		{"too many bytes", "members", "", "number,name\n" + strings.Repeat("x", 1<<20), 413, "too-large", "", "bytes"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := w.bring(w.officer, tc.kind, tc.query, tc.text).want(tc.status).wantProblem(tc.code)
			if tc.at != "" {
				r.wantFault(tc.at)
			}
			if !strings.Contains(string(r.body), strings.ReplaceAll(tc.says, `"`, `\"`)) {
				t.Errorf("%s", r.body)
			}
		})
	}
	w.do("POST", w.at("imports?kind=members"), w.officer, raw("number,name\n1,a\n")).want(415).wantProblem("unsupported-media-type")
	w.do("POST", w.at("imports"), w.officer, raw("number,name\n1,a\n"), header{"Content-Type", "text/csv"}).want(422).wantProblem("invalid-request").wantFault("?kind")
}

func TestColumnsAreFoundAsAsked(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := url.QueryEscape
	r := w.bring(w.officer, "members", "&map="+q("Call sign=name")+"&map="+q("a=b=number")+"&ignore=Shoe", "Call sign,a=b,Name,Shoe\nWren,K-1,not this,43\n").want(201)
	if got := w.do("GET", w.at("members/K-1"), w.officer, nil).want(200).str("name"); got != "Wren" {
		t.Errorf("called %q", got)
	}
	var how []string
	for i := range r.get("report", "columns").([]any) {
		how = append(how, r.str("report", "columns", i, "how"))
	}
	if fmt.Sprint(how) != "[map map not_taken ignored]" || len(r.get("report", "warnings").([]any)) != 1 {
		t.Errorf("columns %v: %s", how, r.body)
	}
	// One garage: a tool need not say where it lives.
	w.do("POST", w.at("garages"), w.officer, row{"code": "only", "name": "Only", "time_zone": "UTC"}).want(201)
	tools := "number,model,kind,size\nT-1,m-1,reamer,8\n"
	r = w.bring(w.officer, "tools", "&unit=mm", tools).want(201)
	if fmt.Sprint(codesAt(r, "report", "assumed")) != "[assumed_unit assumed_only_garage]" {
		t.Errorf("assumed %v", codesAt(r, "report", "assumed"))
	}
	w.do("POST", w.at("garages"), w.officer, row{"code": "second", "name": "Second", "time_zone": "UTC"}).want(201)
	r = w.bring(w.officer, "tools", "&unit=mm", strings.ReplaceAll(tools, "T-1", "T-2")).want(422)
	if got := faultsOf(r); len(got) != 1 || !strings.Contains(got[0], "garage: is needed") {
		t.Errorf("%v", got)
	}
	// Times without an offset are in the zone asked for.
	w.bring(w.officer, "vehicles", "", "code,name\ntern,Tern\n").want(201)
	w.bring(w.officer, "joints", "", "vehicle,template,position\ntern,door-hinge,only\n").want(201)
	r = w.bring(w.officer, "readings", "&time_zone=America/Halifax&unit=in", "joint,date,value,with\nonly,2026-05-01 18:30,0.31,caliper\n").want(201)
	got := w.do("GET", w.at("readings"), w.officer, nil).want(200)
	if got.str("items", 0, "taken_at") != "2026-05-01T21:30:00Z" || got.str("items", 0, "entered", "unit") != "in" {
		t.Errorf("%s\n%s", got.body, r.body)
	}
}

func TestPartOfASheetComesInOnlyWhenAsked(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	text := "number,name\nM-1,Odile Farrow\nP-1,Sound\nP-2,\n"
	w.bring(w.officer, "members", "", strings.ReplaceAll(text, "M-1", "M1")).want(422).wantProblem("rows-refused")
	w.do("GET", w.at("members/P-1"), w.officer, nil).want(404)
	r := w.bring(w.officer, "members", "&partial=true", strings.ReplaceAll(text, "M-1", "M1")).want(201)
	if r.num("created") != 1 || r.num("existing") != 1 || r.num("refused") != 1 || r.str("report", "do_next", 0, "code") != "mend_rows" || !strings.Contains(r.str("report", "summary"), "left out") {
		t.Errorf("%s", r.body)
	}
	w.do("GET", w.at("members/P-1"), w.officer, nil).want(200)
	w.bring(w.officer, "members", "&partial=true", "number,name\nP-2,\n").want(422).wantProblem("rows-refused")
	// A model is made only by a row that is taken.
	w.do("POST", w.at("garages"), w.officer, row{"code": "only", "name": "Only", "time_zone": "UTC"}).want(201)
	w.bring(w.officer, "tools", "&partial=true", "number,model,kind,size (mm),state\nT-1,m-1,reamer,8,broken\nT-2,m-2,reamer,9,\nT-3,m-1,,,broken\n").want(201)
	w.do("GET", w.at("tool-models/m-1"), w.officer, nil).want(404)
	w.do("GET", w.at("tool-models/m-2"), w.officer, nil).want(200)
}

func TestEachKindNeedsTheRolesOfItsSinglePost(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("joints")
	sheets := map[string]string{"members": "number,name\nX-1,A\n", "tools": "number,model,garage\nX-1,reamer-9.500,mews\n", "vehicles": "code,name\nx-1,A\n",
		"joints": "vehicle,template,position\ntern,shackle,x-1\n", "readings": "date,joint,value (mm),with\n2026-05-01,clutch-pedal,10,caliper\n"}
	may := map[string][]string{"members": {"officer"}, "tools": {"tool_keeper", "officer"}, "vehicles": {"member", "tool_keeper", "officer"},
		"joints": {"member", "tool_keeper", "officer"}, "readings": {"member", "tool_keeper", "officer"}}
	for kind, text := range sheets {
		for _, role := range allRoles {
			r := w.bring(w.as(role), kind, "&dry_run=true", text)
			if want := fmt.Sprint(may[kind]); strings.Contains(want, role) != (r.status == 200) || r.status != 200 && r.status != 403 {
				t.Errorf("%s as %s: %d, want only %s to be let in", kind, role, r.status, want)
			}
			if r.status == 403 {
				w.bring(w.as(role), kind, "", "\"").want(403).wantProblem("missing-role") // role before validity
			}
		}
	}
	// A member enters own vehicles only, as by POST.
	r := w.bring(w.as("member"), "vehicles", "", "code,name,owner\nx-2,A,M-41\n").want(422)
	if got := faultsOf(r); len(got) != 1 || !strings.HasPrefix(got[0], "2 owner: only an officer") {
		t.Errorf("%v", got)
	}
}

// Of several who bring in the same numbers at once, one makes them; the others
// find them there. No deadlock, no answer but these.
func TestImportsThatRaceForTheSameNumbers(t *testing.T) {
	t.Parallel()
	w := newWorld(t).mews()
	w.bringAll("joints")
	const racers, rows = 4, 40
	for kind, line := range map[string]string{
		"members":  "number,name\n;R-%d,Racer\n",
		"tools":    "number,model,garage,kind,size (mm)\n;R-%d,race,mews,reamer,8\n",
		"vehicles": "code,name\n;r-%d,Racer\n",
		"joints":   "vehicle,template,position\n;tern,shackle,r-%d\n",
		"readings": "date,joint,value (mm),with\n;2026-05-01,clutch-pedal,9.0%02d,caliper\n",
	} {
		t.Run(kind, func(t *testing.T) {
			head, one, _ := strings.Cut(line, ";")
			answers := make([]*response, racers)
			var all sync.WaitGroup
			for i := range racers {
				text := head
				for n := range rows {
					if i%2 == 1 { // in the other order
						n = rows - 1 - n
					}
					text += fmt.Sprintf(one, n)
				}
				w.othersWrite()
				all.Go(func() { answers[i] = w.bring(w.officer, kind, "", text) })
			}
			all.Wait()
			made, there := 0.0, 0.0
			for _, a := range answers {
				made += a.want(201).num("created")
				there += a.num("existing")
			}
			if made != rows || there != (racers-1)*rows {
				t.Errorf("%v made and %v found there, want %d and %d", made, there, rows, (racers-1)*rows)
			}
		})
	}
}

// Reports are kept, and name nobody: neither who came in, nor who is on record,
// nor who stands where a number should.
func TestKeptReportsNameNobody(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for kind, text := range map[string]string{
		"members":  "number,name\nK-1,Zephyrine Quill\nM1,Zephyrine Quill\nK 2,Zephyrine Quill\nK-1,Zephyrine Quill\nK-3,x,Zephyrine Quill\n",
		"vehicles": "code,name,owner\nv-1,Car,\nv-2,Car,Zephyrine Quill\n",
	} {
		made := w.bring(w.officer, kind, "&partial=true", text).want(201)
		if made.num("refused") == 0 {
			t.Fatalf("%s: nothing was refused, so this proves nothing: %s", kind, made.body)
		}
		for _, name := range []string{"Zephyrine", "Quill", "Odile", "Farrow"} {
			if strings.Contains(string(w.do("GET", made.header.Get("Location"), w.officer, nil).want(200).body), name) {
				t.Errorf("%s: the kept report names %s", kind, name)
			}
		}
	}
}
