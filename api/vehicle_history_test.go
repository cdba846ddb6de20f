package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"pinwright/internal/canonical"
)

// travelled is a world whose wagon has a history: readings with an instrument and
// without, a doubtful and a replaced one, grease, an odometer, a photo, two signed
// records.
func travelled(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	wagon(w, "upper")
	micrometer(w)
	short(w)
	repairOf(w, "short", "upper").want(201)
	sized(w, "upper", "8.121 mm", "8.093 mm", "8.11 mm")
	w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "vehicle": "wrenfield", "joint": "upper", "gauge": "0.318 in", "result": "go"}).want(201)
	slip := w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "vehicle": "wrenfield", "joint": "upper", "value": "8.3 mm", "with": "caliper"}).want(201)
	w.do("POST", w.at("readings/"+slip.str("id")+"/void"), w.officer, row{"reason": "Sallow slipped"}).want(200)
	greased := w.do("POST", w.at("joints/upper/events"), w.officer, row{"kind": "lubricated", "occurred_at": "2026-04-01T10:00:00Z", "note": "Sallow's grease"}).want(201)
	w.do("POST", w.at("joint-events/"+greased.str("id")+"/void"), w.officer, row{"reason": "Sallow forgot"}).want(200)
	w.do("POST", w.at("joints/upper/events"), w.officer, row{"kind": "lubricated", "occurred_at": "2026-04-02T10:00:00Z"}).want(201)
	w.do("POST", w.at("vehicles/wrenfield/distances"), w.officer, row{"shown": 12.5, "unit": "mi", "taken_at": "2026-04-01T10:00:00Z", "replaced": true, "previous": 99999}).want(201)
	shot := w.photo("joints/upper", newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201)
	w.do("PATCH", w.at("photos/"+shot.str("id")), w.officer, row{"caption": "Sallow's hand"}, header{"If-Match", "*"}).want(200)
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	w.clock.advance(time.Hour)
	sized(w, "upper", "8.2 mm")
	repairOf(w, "short", "upper").want(201)
	leftOut(w, "R2")
	w.do("POST", w.at("repairs/R2/sign-off"), w.as("member"), row{}).want(200)
	return w
}

// history fetches the wagon's, with a consent on paper.
func (w *world) history() *response {
	w.t.Helper()
	w.do("POST", w.at("vehicles/wrenfield/history-consents"), w.officer, row{"note": "In the binder"}).want(201)
	return w.do("GET", w.at("vehicles/wrenfield/history"), w.officer, nil).want(200)
}

func schemaOfHistory(w *world) *jsonschema.Schema {
	w.t.Helper()
	text, err := jsonschema.UnmarshalJSON(strings.NewReader(string(w.do("GET", "/v1/schemas/history/1", "", nil).want(200).body)))
	if err != nil {
		w.t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("https://club.example/v1/schemas/history/1", text); err != nil {
		w.t.Fatal(err)
	}
	s, err := c.Compile("https://club.example/v1/schemas/history/1")
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

func TestHistoryIsGivenOutWholeAndNamesNobody(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	doc := w.history()
	value, err := jsonschema.UnmarshalJSON(strings.NewReader(string(doc.body)))
	if err != nil {
		t.Fatal(err)
	}
	// JSON Schema 2020-12, by a validator that is not ours.
	if err := schemaOfHistory(w).Validate(value); err != nil {
		t.Errorf("it does not fit its schema: %v", err)
	}
	for name, want := range map[string]int{"joints": 1, "readings": 6, "voids": 2, "wear_events": 2, "distances": 1, "photos": 1, "records": 2} {
		if got := len(doc.get("content", name).([]any)); got != want {
			t.Errorf("%d %s, want %d", got, name, want)
		}
	}
	for _, name := range []string{"Sallow", "Member with", "T-member", "Odile", "caption", "reason", "binder"} {
		if strings.Contains(string(doc.body), name) {
			t.Errorf("it tells %q", name)
		}
	}
	// Members' ids stand in the records, whose hashes rest on them, and nowhere else.
	members := w.of(`select string_agg(id::text, ' ') from member where club_id = $1`)
	var plain struct {
		Content struct {
			Readings []json.RawMessage `json:"readings"`
			Records  []struct {
				Hash, Content string
			} `json:"records"`
		} `json:"content"`
	}
	if err := json.Unmarshal(doc.body, &plain); err != nil {
		t.Fatal(err)
	}
	for _, id := range strings.Fields(members) {
		for _, r := range plain.Content.Readings {
			if strings.Contains(string(r), id) || strings.Contains(string(r), "M-7") {
				t.Errorf("a reading tells of member %s or of the tool: %s", id, r)
			}
		}
	}
	instrument := doc.get("content", "readings", 0, "instrument").(map[string]any)
	if instrument["state"] != "calibrated" || instrument["expanded_uncertainty_nm"] != 3000.0 || instrument["resolution_nm"] != 1000.0 || instrument["kind"] != "inside_micrometer" {
		t.Errorf("the instrument is told as %v", instrument)
	}
	if doc.str("content", "readings", 1, "instrument", "key") != instrument["key"] || doc.str("content", "readings", 0, "observer") == doc.str("content", "readings", 4, "observer") {
		t.Error("the keys do not tell the same from another")
	}

	// Anybody can work the hashes out anew: of a record, of a row, of the whole.
	for i, r := range plain.Content.Records {
		if sum := sha256.Sum256([]byte(r.Content)); hex.EncodeToString(sum[:]) != r.Hash {
			t.Errorf("record %d does not have the hash %s", i, r.Hash)
		}
	}
	row, err := canonical.Of(plain.Content.Readings[3])
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(row); doc.str("digests", "readings", 3) != hex.EncodeToString(sum[:]) {
		t.Errorf("the digest of %s is told as %s", row, doc.str("digests", "readings", 3))
	}
	whole, err := canonical.Marshal(map[string]any{"schema": "pinwright-history/1", "digests": doc.get("digests")})
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(whole); doc.str("hash") != hex.EncodeToString(sum[:]) {
		t.Errorf("the hash is told as %s", doc.str("hash"))
	}

	// The same content has the same hash at another time, and each time is noted.
	w.clock.advance(time.Hour)
	if again := w.history(); again.str("hash") != doc.str("hash") || again.str("made_at") == doc.str("made_at") {
		t.Errorf("again it is %s of %s", again.str("hash"), again.str("made_at"))
	}
	noted := w.do("GET", w.at("vehicles/wrenfield/history-exports"), w.officer, nil).want(200)
	if len(noted.get("items").([]any)) != 2 || noted.str("items", 1, "hash") != doc.str("hash") || noted.num("items", 0, "rows") != 16 {
		t.Errorf("noted: %s", noted.body)
	}
}

func TestHistoryNeedsItsOwnersConsent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	owner, id := w.member("A1")
	stranger, _ := w.member("A2")
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "roadster", "name": "Roadster", "member": "A1"}).want(201)
	at, consents := w.at("vehicles/roadster/history"), w.at("vehicles/roadster/history-consents")
	if p := w.do("GET", at, owner, nil).want(409); !strings.Contains(p.str("detail"), "history-consents") {
		t.Errorf("how to mend it is not told: %s", p.body)
	}
	// Only the owner gives it, or an officer who says where the paper is.
	for _, token := range []string{stranger, w.as("tool_keeper")} {
		w.do("POST", consents, token, row{}).want(403)
		w.do("GET", consents, token, nil).want(403)
		w.do("GET", at, token, nil).want(403)
		w.do("GET", at+"-exports", token, nil).want(403)
	}
	w.do("POST", consents, w.as("treasurer"), row{}).want(403)
	if p := w.do("POST", consents, w.officer, row{}).want(422); p.str("errors", 0, "pointer") != "/note" {
		t.Errorf("refused at %s", p.body)
	}
	w.do("POST", consents, owner, row{"days": 0}).want(422)
	w.do("POST", w.at("vehicles/nothing/history-consents"), owner, row{}).want(404)
	key := newID()
	given := w.do("POST", consents, owner, row{"days": 2}, header{"Idempotency-Key", key}).want(201)
	if again := w.do("POST", consents, owner, row{"days": 2}, header{"Idempotency-Key", key}).want(201); again.str("id") != given.str("id") {
		t.Errorf("repeated, it is %s", again.body)
	}
	if given.str("owner_id") != id || given.get("written") != false || given.get("live") != true {
		t.Errorf("given: %s", given.body)
	}
	w.do("GET", at, owner, nil).want(200)
	w.do("GET", at, w.officer, nil).want(200)
	// Past its end it gives nothing out.
	w.clock.advance(49 * time.Hour)
	w.do("GET", at, owner, nil).want(409)
	// On paper, then withdrawn.
	paper := w.do("POST", consents, w.officer, row{"note": "In the binder"}).want(201)
	if paper.get("written") != true {
		t.Errorf("on paper: %s", paper.body)
	}
	w.do("GET", at, owner, nil).want(200)
	withdraw := w.at("history-consents/" + paper.str("id") + "/withdraw")
	w.do("POST", withdraw, stranger, nil).want(403)
	first := w.do("POST", withdraw, owner, nil).want(200)
	w.clock.advance(time.Minute)
	if again := w.do("POST", withdraw, w.officer, nil).want(200); string(again.body) != string(first.body) || again.get("live") != false {
		t.Errorf("withdrawn again: %s", again.body)
	}
	w.do("POST", w.at("history-consents/"+newID()+"/withdraw"), owner, nil).want(404)
	w.do("GET", at, owner, nil).want(409)
	if list := w.do("GET", consents, owner, nil).want(200); len(list.get("items").([]any)) != 2 || list.str("items", 0, "id") != paper.str("id") {
		t.Errorf("consents: %s", list.body)
	}
	// The database holds to it too, whatever the service says.
	if _, err := w.db.Owner.Exec(t.Context(), `insert into history_export (club_id, id, vehicle_id, consent_id, member_id, made_at, hash, rows) select club_id, $1, vehicle_id, id, owner_id, $2, sha256('x'), 1 from history_consent where id = $3`,
		uuid.New(), w.clock.now(), paper.str("id")); err == nil || !strings.Contains(err.Error(), "the consent does not stand") {
		t.Errorf("noted past the withdrawal: %v", err)
	}
	// Whoever is erased has consented to nothing any more.
	w.do("POST", consents, owner, row{}).want(201)
	w.do("POST", w.at("members/A1/erase"), w.officer, row{"reason": "requested"}).want(200)
	w.do("GET", w.at("vehicles/"+given.str("vehicle_id")+"/history"), w.officer, nil).want(409)
}
