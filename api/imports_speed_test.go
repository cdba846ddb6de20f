package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// BenchmarkImportOfAThousandReadings brings in a sheet of a thousand readings
// beside a POST of the same as a batch, and tells how many times as long the
// sheet takes.
func BenchmarkImportOfAThousandReadings(b *testing.B) {
	w := newWorld(b)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "tern", "name": "Tern"}).want(201)
	positions := make([]string, 40)
	for i := range positions {
		positions[i] = fmt.Sprint("hinge-", i)
	}
	w.do("POST", w.at("vehicles/tern/joints"), w.officer, row{"template": "door-hinge", "positions": positions, "nominal": "9 mm"}).want(201)
	var asSheet, asBatch time.Duration
	minute := 0
	for b.Loop() {
		var sheet strings.Builder
		sheet.WriteString("date,vehicle,joint,value (mm),with,station\n")
		batch := make([]row, 1000)
		for i := range batch {
			minute++
			at := time.Date(2020, 1, 1, 0, minute, 0, 0, time.UTC).Format(time.RFC3339)
			joint, value := positions[i%40], fmt.Sprintf("9.0%03d", i)
			fmt.Fprintf(&sheet, "%s,tern,%s,%s,caliper,middle\n", at, joint, value)
			minute++
			batch[i] = row{"id": newID(), "taken_at": time.Date(2020, 1, 1, 0, minute, 0, 0, time.UTC), "vehicle": "tern", "joint": joint, "value": value + " mm", "with": "caliper", "station": "middle"}
		}
		start := time.Now()
		if r := w.bring(w.officer, "readings", "", sheet.String()).want(201); r.num("created") != 1000 {
			b.Fatalf("%s", r.body[:500])
		}
		asSheet += time.Since(start)
		start = time.Now()
		w.do("POST", w.at("readings"), w.officer, row{"readings": batch}).want(200)
		asBatch += time.Since(start)
	}
	b.ReportMetric(asSheet.Seconds()/asBatch.Seconds(), "sheet/batch")
	b.ReportMetric(asSheet.Seconds()/float64(b.N)*1000, "ms/sheet")
}

// BenchmarkImportTakenBack takes back a sheet of 400 members in a club
// with fifty thousand readings, none of theirs, and tells how many times as long
// as bringing it in that takes: each deleted member is looked for among what
// refers to members. A thousand take 7 s (2026-11-30), too near to the 10 s that one
// statement has.
func BenchmarkImportTakenBack(b *testing.B) {
	w := newWorld(b)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "tern", "name": "Tern"}).want(201)
	joint := w.do("POST", w.at("vehicles/tern/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"only"}}).want(201)
	if _, err := w.db.Owner.Exec(b.Context(), `
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
		select $1, gen_random_uuid(), $2, 'go', 9000000, 9, 'mm', 'as_found', 'bright', '2026-01-01', '2026-01-01', (select id from member where club_id = $1 limit 1), '' from generate_series(1, 50000)`,
		w.club.ClubID, joint.str("items", 0, "features", 0, "id")); err != nil {
		b.Fatal(err)
	}
	if _, err := w.db.Owner.Exec(b.Context(), `analyze`); err != nil {
		b.Fatal(err)
	}
	var in, back time.Duration
	for b.Loop() {
		text := "number,name\n"
		for i := range 400 {
			text += fmt.Sprintf("m-%d,Member\n", i)
		}
		start := time.Now()
		made := w.bring(w.officer, "members", "", text).want(201)
		in += time.Since(start)
		start = time.Now()
		w.revert(w.officer, made).want(200)
		back += time.Since(start)
	}
	b.ReportMetric(back.Seconds()/in.Seconds(), "back/in")
	b.ReportMetric(back.Seconds()/float64(b.N)*1000, "ms/back")
}
