package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/canonical"
)

// sized posts readings of the wagon's joint with an instrument that has a
// calibration.
func sized(w *world, position string, values ...string) {
	w.t.Helper()
	for i, v := range values {
		w.do("POST", w.at("readings"), w.as("member"), row{"id": newID(), "vehicle": "wrenfield", "joint": position, "value": v, "instrument": "M-7", "stage": []string{"as_found", "cleaned"}[i%2], "taken_at": w.clock.now()}).want(201)
		w.clock.advance(24 * time.Hour)
	}
}

// micrometer puts an instrument into the club that was calibrated.
func micrometer(w *world) {
	w.t.Helper()
	w.do("POST", w.at("tool-models"), w.as("tool_keeper"), row{"code": "mic", "name": "Inside micrometer", "kind": "inside_micrometer", "resolution": "1 um"}).want(201)
	w.do("POST", w.at("tools"), w.as("tool_keeper"), row{"number": "M-7", "model": "mic", "garage": "north"}).want(201)
	w.do("POST", w.at("tools/M-7/calibrations"), w.as("tool_keeper"), row{"calibrated_on": "2026-01-10", "due_on": "2030-01-10", "expanded_uncertainty": "3 um"}).want(201)
}

// leftOut closes all steps of R… that the short procedure has, so that it can be signed.
func leftOut(w *world, number string) {
	w.t.Helper()
	for _, step := range []string{"soak", "bath", "measure", "decide", "cut", "look"} {
		token := w.as("member")
		if step == "cut" {
			token = w.as("tool_keeper")
		}
		w.do("POST", w.at("repairs/"+number+"/steps/"+step+"/leave-out"), token, row{"reason": "For the test"}).want(200)
	}
}

func (w *world) recordAs(number, accept string) *response {
	w.t.Helper()
	return w.do("GET", w.at("repairs/"+number+"/record"), w.as("auditor"), nil, header{"Accept", accept})
}

func TestRecordIsWrittenWithTheSignOffAndChainedPerVehicle(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	micrometer(w)
	short(w)
	repairOf(w, "short", "upper").want(201)
	sized(w, "upper", "8.121 mm", "8.093 mm", "8.11 mm")

	draft := w.recordAs("R1", "*/*").want(200)
	if draft.str("state") != "draft" || draft.get("hash") != nil || draft.str("warnings", 0, "code") != "draft" || draft.num("content", "place") != 0 {
		t.Errorf("a draft: %s", draft.body)
	}
	for _, accept := range []string{"text/html", "text/plain"} {
		if got := w.recordAs("R1", accept).want(200); !strings.Contains(string(got.body), "raft") {
			t.Errorf("the draft as %s says nothing of that:\n%s", accept, got.body)
		}
	}
	leftOut(w, "R1")
	for _, sql := range []string{
		`insert into verification (club_id, id, repair_id, joint_id, verdict, risk, content, member_id, at) select r.club_id, gen_random_uuid(), r.id, x.joint_id, 'proved', 0.05, '{}', r.lead_id, $2 from repair r join repair_joint x on x.club_id = r.club_id and x.repair_id = r.id where r.club_id = $1`,
		`insert into nonconformity (club_id, id, repair_id, joint_id, kind, detail, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by, closed_at)
			select r.club_id, gen_random_uuid(), r.id, x.joint_id, 'chip_jam', 'Kim Sallow let it run dry', $2, r.lead_id, $2, '[]', 'cut_again', $2, r.lead_id, $2 from repair r join repair_joint x on x.club_id = r.club_id and x.repair_id = r.id where r.club_id = $1`,
	} {
		w.exec(sql, w.clock.now())
	}
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	made := w.recordAs("R1", "application/json").want(200)
	content := section(t, made)
	if made.str("content", "verdicts", 0, "verdict") != "proved" || made.str("content", "went_wrong", 0, "kind") != "chip_jam" || made.str("content", "went_wrong", 0, "chosen") != "cut_again" {
		t.Errorf("of verdicts it tells %s", content)
	}
	for _, accept := range []string{"text/html", "text/plain"} {
		if got := string(w.recordAs("R1", accept).want(200).body); !strings.Contains(got, "fit proved") || !strings.Contains(got, "chip jam; decided: cut again") {
			t.Errorf("of verdicts it tells as %s:\n%s", accept, got)
		}
	}
	form, err := canonical.Of(content)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(form)
	if made.str("state") != "issued" || made.str("hash") != hex.EncodeToString(sum[:]) || made.num("content", "place") != 1 || made.get("content", "previous") != nil {
		t.Errorf("the record %s\nhas the hash %x", made.body, sum)
	}
	readings := made.get("content", "readings").([]any)
	if len(readings) != 3 || made.str("content", "readings", 0, "instrument") != "M-7" || made.num("content", "readings", 0, "expanded_uncertainty_nm") != 3000 || made.num("content", "readings", 1, "size_nm") != 8093000 {
		t.Errorf("readings %v", readings)
	}
	if made.str("content", "repair", "state") != "signed" || made.str("content", "steps", 6, "key") != "end" || made.str("content", "steps", 6, "state") != "done" {
		t.Errorf("what was done: %s", made.body)
	}
	for _, name := range []string{"Sallow", "Member with", "T-member", "Wrenfield", "wrenfield", "Hollow"} {
		if strings.Contains(string(content), name) {
			t.Errorf("the content names %q, which could not be erased any more", name)
		}
	}

	// A later reading, another repair: the first record stays, and the second follows it.
	w.clock.advance(time.Hour)
	sized(w, "upper", "8.2 mm")
	repairOf(w, "short", "upper").want(201)
	leftOut(w, "R2")
	w.do("POST", w.at("repairs/R2/sign-off"), w.as("member"), row{}).want(200)
	if again := w.recordAs("R1", "application/json").want(200); string(again.body) != string(made.body) {
		t.Errorf("the record has become\n%s\nfrom\n%s", again.body, made.body)
	}
	second := w.recordAs("R2", "application/json").want(200)
	if second.str("content", "previous") != made.str("hash") || second.num("content", "place") != 2 || len(second.get("content", "readings").([]any)) != 1 {
		t.Errorf("the second record %s", second.body)
	}
	list := w.do("GET", w.at("vehicles/wrenfield/records?limit=1"), w.as("auditor"), nil).want(200)
	if list.str("items", 0, "hash") != made.str("hash") || list.str("items", 0, "repair") != "R1" {
		t.Errorf("the chain %s", list.body)
	}
	rest := w.do("GET", w.at("vehicles/wrenfield/records?limit=1&cursor="+list.str("next")), w.as("auditor"), nil).want(200)
	if rest.str("items", 0, "hash") != second.str("hash") || rest.str("items", 0, "previous") != made.str("hash") || rest.get("next") != nil {
		t.Errorf("its end %s", rest.body)
	}
	w.do("GET", w.at("vehicles/nothing/records"), w.as("auditor"), nil).want(404)
	w.do("GET", w.at("repairs/R9/record"), w.as("auditor"), nil).want(404)

	// Who has a hash is told how the record stands, and nothing else.
	for number, r := range map[string]*response{"1": made, "2": second} {
		stands := w.do("GET", "/v1/records/"+r.str("hash"), "", nil).want(200)
		if stands.get("known") != true || stands.get("valid") != true || fmt.Sprint(stands.num("place")) != number || stands.num("newest") != 2 {
			t.Errorf("it stands %s", stands.body)
		}
		for _, told := range []string{"hollow", "Hollow", "wrenfield", "R1", w.club.ClubID.String(), "T-member"} {
			if strings.Contains(string(stands.body), told) {
				t.Errorf("it tells %q: %s", told, stands.body)
			}
		}
	}
	none := w.do("GET", "/v1/records/"+strings.Repeat("0", 64), "", nil).want(200)
	for range 2 {
		if other := w.do("GET", "/v1/records/"+fmt.Sprintf("%x", sha256.Sum256([]byte(uuid.NewString()))), "", nil).want(200); string(other.body) != string(none.body) {
			t.Errorf("unknown hashes are answered\n%s\n%s", none.body, other.body)
		}
	}
	w.do("GET", "/v1/records/"+strings.Repeat("0", 63), "", nil).want(422)

	// The application's role can neither change nor delete it; whoever can is found out.
	for _, sql := range []string{`update repair_record set content = ''`, `delete from repair_record`} {
		if _, err := w.db.App.Exec(t.Context(), sql); err == nil || !strings.Contains(err.Error(), "42501") {
			t.Errorf("%s: %v, want SQLSTATE 42501", sql, err)
		}
	}
	if _, err := w.db.Owner.Exec(t.Context(), `alter table repair_record drop constraint repair_record_hash_of_content`); err != nil {
		t.Fatal(err)
	}
	w.exec(`update repair_record set content = replace(content, '8093000', '8094000') where club_id = $1 and place = 1`)
	for _, r := range []*response{made, second} {
		if stands := w.do("GET", "/v1/records/"+r.str("hash"), "", nil).want(200); stands.get("known") != true || stands.get("valid") != false {
			t.Errorf("tampered with, it stands %s", stands.body)
		}
	}
}

// section is the content of a record as it was sent, byte for byte.
func section(t *testing.T, r *response) json.RawMessage {
	t.Helper()
	var out struct{ Content json.RawMessage }
	if err := json.Unmarshal(r.body, &out); err != nil {
		t.Fatal(err)
	}
	return out.Content
}

func TestRecordComesAsAPageToPrintAndAsAShortText(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	micrometer(w)
	short(w)
	w.do("POST", w.at("vehicles/wrenfield/joints"), w.officer, row{"template": "king-pin", "positions": []string{"left"}, "nominal": "20 mm"}).want(201)
	repairOf(w, "short", "left").want(201)
	sized(w, "left", "20.1 mm", "20.08 mm")
	w.clock.advance(25 * time.Hour)
	sized(w, "left", "20.09 mm")
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{"inspection_first": true}).want(200)
	if half := w.recordAs("R1", "application/json").want(200); half.str("state") != "draft" {
		t.Errorf("signed once it is %s", half.body)
	}
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("tool_keeper"), row{"inspection_first": true}).want(200)
	made := w.recordAs("R1", "application/json").want(200)
	if made.str("warnings", 0, "code") != "advice_not_approval" || !strings.Contains(made.str("content", "notice"), "licensed inspection") {
		t.Errorf("of a safety joint it says %s", made.body)
	}

	page := w.recordAs("R1", "text/html,application/xhtml+xml,*/*;q=0.8").want(200)
	html := string(page.body)
	if got := page.header.Get("Content-Type"); got != "text/html; charset=utf-8" || !strings.Contains(page.header.Get("Vary"), "Accept") {
		t.Errorf("it is %s, by %s", got, page.header.Get("Vary"))
	}
	for _, want := range []string{"size:A4 portrait", "licensed inspection", made.str("hash"), "20.1", "M-7, calibrated on 2026-01-10 (k = 2)", "Member with tool_keeper (T-tool_keeper)", "<svg", "Found and measured", "± 0.003"} {
		if !strings.Contains(html, want) {
			t.Errorf("the page says nothing of %q", want)
		}
	}
	if !strings.Contains(string(w.do("GET", w.at("repairs/R1/record?page=letter&units=in"), w.as("auditor"), nil, header{"Accept", "text/html"}).want(200).body), "size:letter portrait") {
		t.Error("there is no page on letter paper")
	}
	// Nothing is loaded, and nothing runs.
	policy := page.header.Get("Content-Security-Policy")
	if !strings.HasPrefix(policy, "default-src 'none'; style-src 'sha256-") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "script-src") || strings.Contains(policy, "img-src") {
		t.Errorf("the policy is %q", policy)
	}
	if found := regexp.MustCompile(`(?i)<script|<link|<img|<iframe|\bon[a-z]+=|\bstyle="|url\(|@import|src=`).FindString(html); found != "" {
		t.Errorf("the page has %q", found)
	}

	text := w.recordAs("R1", "text/plain").want(200)
	if lines := strings.Split(strings.TrimSpace(string(text.body)), "\n"); len(lines) > 15 || !strings.Contains(string(text.body), made.str("hash")) || !strings.HasPrefix(lines[1], "! ") {
		t.Errorf("the short text is\n%s", text.body)
	}
	w.recordAs("R1", "image/png").want(406).wantProblem("not-acceptable")
}
