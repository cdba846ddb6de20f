package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// rawLine is one posting with its entry and account, as they stand in the tables.
type rawLine struct {
	Number                              int64
	BookedOn                            time.Time
	Kind, Reason, OfKind, OfReason      string // of the entry, and of what it undoes
	Member, Tool                        string // of the entry
	Account, AccountMember, AccountTool string
	Minor                               int64
}

// rawLines reads all postings past the service.
func (w *world) rawLines() []rawLine {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.t.Context(), `
		select e.number, e.booked_on, e.kind, e.reason, coalesce(o.kind, '') as of_kind, coalesce(o.reason, '') as of_reason, coalesce(em.number, '') as member, coalesce(et.number, '') as tool,
		       a.kind as account, coalesce(am.number, '') as account_member, coalesce(at.number, '') as account_tool, p.minor
		from entry e join posting p on (p.club_id, p.entry_id) = (e.club_id, e.id) join account a on (a.club_id, a.id) = (p.club_id, p.account_id) left join entry o on (o.club_id, o.id) = (e.club_id, e.reverses)
		left join member em on em.id = e.member_id left join tool et on et.id = e.tool_id left join member am on am.id = a.member_id left join tool at on at.id = a.tool_id
		where e.club_id = $1 order by e.number, p.line`, w.club.ClubID)
	if err != nil {
		w.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByName[rawLine])
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

// annualByHand adds a year up line by line: opening and change by section and name.
func annualByHand(lines []rawLine, from, until string) map[string][2]int64 {
	sections := map[string]string{"bank": "bank", "member": "members", "tool": "tools", "deposit": "deposits", "fund": "fund", "charges": "income", "costs": "expense", "opening": "opening"}
	out := map[string][2]int64{}
	for _, l := range lines {
		day := l.BookedOn.Format(time.DateOnly)
		if day > until {
			continue
		}
		name := l.AccountMember + l.AccountTool
		minor := l.Minor
		if l.Account == "deposit" || l.Account == "fund" || l.Account == "charges" || l.Account == "opening" {
			minor = -minor
		}
		if l.Account == "charges" {
			name = l.Reason
			if l.Kind == "reversal" {
				name = l.OfReason
			}
			if l.Kind == "deposit_kept" || l.OfKind == "deposit_kept" {
				name = "deposit_kept"
			}
		}
		for _, key := range []string{sections[l.Account] + " " + name, "total " + sections[l.Account]} {
			sum := out[key]
			if day < from {
				sum[0] += minor
			} else {
				sum[1] += minor
			}
			out[key] = sum
		}
	}
	for key, sum := range out {
		if sum == [2]int64{} && !strings.HasPrefix(key, "total ") {
			delete(out, key)
		}
	}
	return out
}

// holdAnnual holds a report of a year to the same added up by hand.
func (w *world) holdAnnual(r *response) {
	w.t.Helper()
	want := annualByHand(w.rawLines(), r.str("year", "from"), r.str("year", "until"))
	seen := 0
	check := func(key string, at ...any) {
		w.t.Helper()
		sum := want[key]
		for i, name := range []string{"opening", "change"} {
			if got := int64(r.num(append(at, name, "minor")...)); got != sum[i] {
				w.t.Errorf("%s: %s %d, by hand %d", key, name, got, sum[i])
			}
		}
		if got := int64(r.num(append(at, "closing", "minor")...)); got != sum[0]+sum[1] {
			w.t.Errorf("%s closes at %d, by hand %d", key, got, sum[0]+sum[1])
		}
		seen++
	}
	for i := range r.get("items").([]any) {
		check(r.str("items", i, "section")+" "+r.str("items", i, "member")+r.str("items", i, "tool")+r.str("items", i, "reason"), "items", i)
	}
	lines := 0
	for key := range want {
		if !strings.HasPrefix(key, "total ") {
			lines++
		}
	}
	if seen != lines {
		w.t.Errorf("%d lines, by hand %d: %v\n%s", seen, lines, want, r.body)
	}
	own := [2]int64{}
	for i := range r.get("totals").([]any) {
		if section := r.str("totals", i, "section"); section != "own" {
			check("total "+section, "totals", i)
		} else {
			for j := range own {
				own[j] = want["total bank"][j] + want["total members"][j] + want["total tools"][j] - want["total deposits"][j] - want["total fund"][j]
			}
			want["total own"] = own
			check("total own", "totals", i)
		}
	}
	if got := int64(r.num("result", "minor")); got != want["total income"][1]-want["total expense"][1] {
		w.t.Errorf("the result is %d", got)
	}
	if own[1] != want["total income"][1]-want["total expense"][1]+want["total opening"][1] {
		w.t.Errorf("the club's own changed by %d, with a result of %d", own[1], int64(r.num("result", "minor")))
	}
}

// booked is a club with something of every kind in two years from April.
func bookedYears(t *testing.T) (w *world, treasurer string) {
	t.Helper()
	w = newWorld(t)
	stock(w)
	treasurer = w.as("treasurer")
	for _, number := range []string{"B-1", "B-2"} {
		w.member(number)
	}
	for _, number := range []string{"R-1", "R-2", "R-3"} {
		w.do("POST", w.at("tools"), w.officer, row{"number": number, "model": "R8", "garage": "north"}).want(201)
	}
	w.do("PATCH", w.at("ledger/books"), treasurer, row{"year_begins": "04-01"}, header{"If-Match", "*"}).want(200)
	post := func(path, on string, body row) string {
		return w.do("POST", w.at(path), treasurer, with(body, row{"on": on})).want(201).header.Get("Location")
	}
	post("opening-balances", "2024-04-01", row{"bank": signed(50000), "fund": money(9000), "members": []row{{"member": "B-1", "owes": signed(700)}}, "tools": []row{{"tool": "R-2", "value": money(3000)}}})
	post("charges", "2024-05-01", row{"member": "B-1", "tool": "R-1", "reason": "use", "amount": money(450)})
	post("charges", "2024-06-01", row{"member": "B-2", "tool": "R-1", "reason": "late", "amount": money(200)})
	wrong := post("charges", "2025-03-31", row{"member": "B-2", "tool": "R-1", "reason": "late", "amount": money(333)})
	post("purchases", "2024-07-01", row{"tool": "R-1", "amount": money(8400)})
	post("purchases", "2025-04-01", row{"amount": money(1200), "note": "oil"})
	post("charges", "2025-05-01", row{"member": "B-1", "tool": "R-1", "reason": "use", "amount": money(901)})
	post("charges", "2025-05-02", row{"member": "B-2", "tool": "R-2", "reason": "damage", "amount": money(5000)})
	post("charges", "2025-05-03", row{"member": "B-2", "reason": "other", "amount": money(100)})
	post("payments", "2025-06-01", row{"member": "B-1", "amount": money(1000)})
	post("deposits", "2025-06-02", row{"member": "B-1", "amount": money(2500), "act": "taken"})
	post("deposits", "2025-06-03", row{"member": "B-1", "amount": money(500), "act": "kept"})
	w.do("POST", wrong+"/reverse", treasurer, row{"note": "not hers", "on": "2025-06-04"}).want(201)
	return w, treasurer
}

func TestAYearIsAddedUp(t *testing.T) {
	t.Parallel()
	w, treasurer := bookedYears(t)
	first := w.do("GET", w.at("reports/year?year=2024"), treasurer, nil).want(200)
	second := w.do("GET", w.at("reports/year?year=2025"), w.as("auditor"), nil).want(200)
	w.holdAnnual(first)
	w.holdAnnual(second)
	if second.str("year", "from") != "2025-04-01" || second.str("year", "until") != "2026-03-31" || second.get("closed") != false {
		t.Errorf("the year: %s", second.body)
	}
	// Worked out on paper: income of 2025 is 100 and 500 kept, less the 333 that were not hers; expense 1200.
	if second.num("result", "minor") != 100+500-333-1200 {
		t.Errorf("the result: %s", second.body)
	}
	// What a year closes with is what the next begins with.
	for i := range first.get("totals").([]any) {
		if first.num("totals", i, "closing", "minor") != second.num("totals", i, "opening", "minor") {
			t.Errorf("%s does not carry over", first.str("totals", i, "section"))
		}
	}
	before := string(second.body)
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": "2026-03-31"}).want(201)
	w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "reason": "other", "amount": money(7), "on": "2026-04-01"}).want(201)
	after := w.do("GET", w.at("reports/year?year=2025"), treasurer, nil).want(200)
	if after.get("closed") != true || strings.ReplaceAll(strings.ReplaceAll(string(after.body), `"closed":true`, `"closed":false`), "is closed.", "is not closed and may still change.") != before {
		t.Errorf("a closed year changed:\n%s\n%s", before, after.body)
	}
	w.holdAnnual(w.do("GET", w.at("reports/year"), treasurer, nil).want(200))
	sheet := w.do("GET", w.at("reports/year"), treasurer, nil, header{"Accept", "text/csv"}).want(200)
	if !strings.HasPrefix(string(sheet.body), "section,name,opening.minor") || !strings.Contains(string(sheet.body), "members,Member B-1,") {
		t.Errorf("as a sheet: %s", sheet.body)
	}
	page := w.do("GET", w.at("reports/year/sheet?year=2025&page=letter"), treasurer, nil).want(200)
	for _, want := range []string{"size:letter", "Deposits that were kept", "Member B-2", "-9.33 EUR", "<svg"} {
		if !strings.Contains(string(page.body), want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Contains(string(page.body), "<script") || !strings.Contains(page.header.Get("Content-Security-Policy"), "default-src 'none'") {
		t.Errorf("the page: %v", page.header)
	}
	picture := w.do("GET", w.at("reports/year/picture?year=2025"), treasurer, nil).want(200)
	if !strings.Contains(string(picture.body), "Put by for tools") {
		t.Errorf("the picture: %s", picture.body)
	}
	w.do("GET", w.at("reports/year/picture?year=2025"), treasurer, nil, header{"If-None-Match", picture.header.Get("ETag")}).want(304)
	one, _ := w.member("B-9")
	for _, path := range []string{"reports/year", "reports/year/sheet", "reports/year/picture", "reports/tool-wear", "reports/tool-wear/sheet", "reports/tool-wear/picture"} {
		w.do("GET", w.at(path), one, nil).want(403).wantProblem("missing-role")
	}
}

// wearByHand adds charges and purchases of tools up, line by line: wear, damage, other, spent in the days, and what was
// earned and spent until then, by what key gives.
func wearByHand(lines []rawLine, from, until string, key func(rawLine) string) map[string][6]int64 {
	out := map[string][6]int64{}
	for _, l := range lines {
		day := l.BookedOn.Format(time.DateOnly)
		begun := l.Kind == "opening" || l.OfKind == "opening"
		tool := l.Tool
		if begun && l.Account == "tool" {
			tool = l.AccountTool
		}
		if day > until || tool == "" {
			continue
		}
		l.Tool = tool
		sum := out[key(l)]
		reason := l.Reason + l.OfReason
		switch l.Account {
		case "tool":
			if day >= from && !begun {
				sum[3] += l.Minor
			}
			sum[5] += l.Minor
		case "fund", "charges":
			if day >= from {
				switch reason {
				case "use":
					sum[0] -= l.Minor
				case "damage":
					sum[1] -= l.Minor
				default:
					sum[2] -= l.Minor
				}
			}
			sum[4] -= l.Minor
		}
		out[key(l)] = sum
	}
	return out
}

// holdWear holds a report of wear to the same added up by hand.
func (w *world) holdWear(r *response, key func(rawLine) string) {
	w.t.Helper()
	want := wearByHand(w.rawLines(), r.str("from"), r.str("until"), key)
	found := map[string]bool{}
	for i := range r.get("items").([]any) {
		name := r.str("items", i, "name")
		found[name] = true
		for j, field := range []string{"wear", "damage", "other", "spent", "earned_in_all", "spent_in_all"} {
			if got := int64(r.num("items", i, field, "minor")); got != want[name][j] {
				w.t.Errorf("%s: %s %d, by hand %d", name, field, got, want[name][j])
			}
		}
		if r.get("items", i, "losing") != (want[name][5] > want[name][4]) {
			w.t.Errorf("%s loses or not: %v", name, want[name])
		}
		n, sum := int64(r.num("items", i, "uses")), want[name][0]
		if mean := r.get("items", i, "wear_per_use"); n == 0 != (mean == nil) {
			w.t.Errorf("%s: %d uses and a mean of %v", name, n, mean)
		} else if n > 0 {
			if d := 2 * (int64(r.num("items", i, "wear_per_use", "minor"))*n - sum); d > n || d < -n { // within half a unit of each
				w.t.Errorf("%s: a mean of %v of %d over %d", name, mean, sum, n)
			}
		}
	}
	for name, sum := range want {
		if !found[name] && (sum[0] != 0 || sum[1] != 0 || sum[2] != 0 || sum[3] != 0) {
			w.t.Errorf("%s is left out: %v", name, sum)
		}
	}
}

func TestWearIsToldByToolMemberAndGarage(t *testing.T) {
	t.Parallel()
	w, treasurer := bookedYears(t)
	used := func(tool, member, at, work string, count int, voided bool) {
		if _, err := w.db.Owner.Exec(t.Context(), `insert into tool_use (club_id, id, tool_id, member_id, used_at, recorded_at, recorded_by, work, count, voided_at, voided_by, void_reason)
			select t.club_id, gen_random_uuid(), t.id, m.id, $3, $3, m.id, $4, $5, case when $6 then $3::timestamptz end, case when $6 then m.id end, case when $6 then 'told twice' else '' end
			from tool t join member m using (club_id) where t.number = $1 and m.number = $2`, tool, member, at, work, count, voided); err != nil {
			t.Fatal(err)
		}
	}
	used("R-1", "B-1", "2025-04-01T00:00:00Z", "holes", 4, false)
	used("R-1", "B-2", "2026-03-31T23:59:59Z", "holes", 3, false)
	used("R-1", "B-2", "2026-04-01T00:00:00Z", "holes", 50, false) // the next year
	used("R-2", "B-2", "2025-05-01T10:00:00Z", "holes", 9, true)
	get := func(query string) *response {
		return w.do("GET", w.at("reports/tool-wear?from=2025-04-01&until=2026-03-31"+query), treasurer, nil).want(200)
	}
	byTool := get("")
	w.holdWear(byTool, func(l rawLine) string { return l.Tool })
	if byTool.str("items", 0, "name") != "R-1" || byTool.num("items", 0, "uses") != 2 || byTool.num("items", 0, "holes") != 7 || byTool.num("items", 0, "wear", "minor") != 901 ||
		byTool.num("items", 0, "wear_per_hole", "minor") != 129 || byTool.num("items", 0, "wear_per_use", "minor") != 451 || byTool.str("items", 0, "last_used_at") != "2026-03-31T23:59:59Z" { // 901/7 = 128.71, 901/2 = 450.5
		t.Errorf("by tool: %s", byTool.body)
	}
	w.holdWear(get("&by=member"), func(l rawLine) string {
		if l.Member == "" {
			return "nobody in particular"
		}
		return l.Member
	})
	w.holdWear(get("&by=garage"), func(rawLine) string { return "north" })
	w.holdWear(get("&by=tool_model"), func(rawLine) string { return "R8" })
	names := func(r *response) string {
		var out []string
		for i := range r.get("items").([]any) {
			if name := r.str("items", i, "name"); strings.HasPrefix(name, "R-") {
				out = append(out, name)
			}
		}
		return strings.Join(out, " ")
	}
	// R-1 cost 84 and earned 4.50 + 2 + 9.01; R-2 was worth 30 and earned 50.
	if idle, losing := names(get("&only=idle")), names(get("&only=losing")); idle != "R-3 R-2" || losing != "R-1" {
		t.Errorf("idle: %s; losing: %s", idle, losing)
	}
	w.do("GET", w.at("reports/tool-wear?by=member&only=idle"), treasurer, nil).want(422).wantFault("?only")
	w.do("GET", w.at("reports/tool-wear?from=2026-01-01&until=2025-01-01"), treasurer, nil).want(422).wantFault("?until")
	if year := w.do("GET", w.at("reports/tool-wear"), treasurer, nil).want(200); !strings.HasSuffix(year.str("from"), "-04-01") {
		t.Errorf("the days of this year: %s", year.body)
	}
	if sheet := w.do("GET", w.at("reports/tool-wear?from=2025-04-01&until=2026-03-31"), treasurer, nil, header{"Accept", "text/csv"}).want(200); !strings.Contains(string(sheet.body), "\r\nR-1,") {
		t.Errorf("as a sheet: %s", sheet.body)
	}
	page := w.do("GET", w.at("reports/tool-wear/sheet?from=2025-04-01&until=2026-03-31"), treasurer, nil).want(200)
	picture := w.do("GET", w.at("reports/tool-wear/picture?from=2025-04-01&until=2026-03-31&only=losing"), treasurer, nil).want(200)
	if !strings.Contains(string(page.body), "1.29 EUR") || !strings.Contains(string(picture.body), "R-1") || strings.Contains(string(picture.body), "R-3") {
		t.Errorf("page %s\npicture %s", page.body, picture.body)
	}
}

func TestAStatementIsPrinted(t *testing.T) {
	t.Parallel()
	w, treasurer := bookedYears(t)
	own, _ := w.member("B-9")
	w.do("POST", w.at("charges"), treasurer, row{"member": "B-9", "reason": "use", "amount": money(450), "tool": "R-1", "note": "<b>four</b> holes"}).want(201)
	page := string(w.do("GET", w.at("members/B-9/statement/sheet"), own, nil).want(200).body)
	for _, want := range []string{"size:A4", "Statement of Member B-9 (B-9)", "4.50 EUR for use, R-1: &lt;b&gt;four&lt;/b&gt; holes", "Hollow Lane Garages"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in %s", want, page)
		}
	}
	other := string(w.do("GET", w.at("members/B-1/statement/sheet?page=letter"), treasurer, nil).want(200).body)
	if strings.Index(other, "from before the books began") > strings.Index(other, "9.01 EUR for use") || !strings.Contains(other, "The club holds a deposit of 20.00 EUR") {
		t.Errorf("oldest first: %s", other)
	}
	w.do("GET", w.at("members/B-1/statement/sheet"), own, nil).want(403).wantProblem("missing-role")
	w.do("GET", w.at("members/none/statement/sheet"), treasurer, nil).want(404)
}
