package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// bench is a world with things to read: on each of two invented vehicles the
// joints "left" and "right" with the features bore (usual, nominal 0.314 in), eye
// (another bore) and pin; on the first vehicle also "only", and "eyelet", which has
// one bore of unknown size; and the tools caliper C1, pin gauge G318, reamer R1.
type bench struct {
	*world
	vehicle, joint, bore, pin, caliper string // ids of the first vehicle's
}

func newBench(t testing.TB) *bench {
	t.Helper()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	return benchIn(w)
}

// benchIn makes the bench in a world that has the garage "north".
func benchIn(plain *world) *bench {
	t := plain.t
	t.Helper()
	w := &bench{world: plain}
	for _, template := range []string{
		`{"code":"bench-hinge","name":"Hinge","features":[{"code":"bore","shape":"bore","duty":"running","nominal":"0.314 in","usual":true},
			{"code":"eye","shape":"bore","duty":"running","nominal":"0.314 in"},{"code":"pin","shape":"pin","duty":"running","nominal":"0.314 in"}]}`,
		`{"code":"bench-eyelet","name":"Eyelet","features":[{"code":"hole","shape":"bore","duty":"running"}]}`,
	} {
		w.do("POST", w.at("joint-templates"), w.officer, raw(template)).want(201)
	}
	joints := func(vehicle, template string, positions ...string) {
		w.do("POST", w.at("vehicles/"+vehicle+"/joints"), w.officer, row{"template": template, "positions": positions}).want(201)
	}
	w.vehicle = w.do("POST", w.at("vehicles"), w.officer, row{"code": "coupe", "name": "Coupe"}).want(201).str("id")
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "van", "name": "Van"}).want(201)
	joints("coupe", "bench-hinge", "left", "right", "only")
	joints("coupe", "bench-eyelet", "eyelet")
	joints("van", "bench-hinge", "left", "right")
	list := w.do("GET", w.at("vehicles/coupe/joints"), w.officer, nil).want(200)
	for i := range list.get("items").([]any) {
		if list.str("items", i, "position") == "left" {
			w.joint, w.bore, w.pin = list.str("items", i, "id"), list.str("items", i, "features", 0, "id"), list.str("items", i, "features", 2, "id")
		}
	}
	for number, model := range map[string]string{
		"C1":   `{"code":"m-c","name":"Caliper","kind":"caliper","resolution":"0.01 mm"}`,
		"G318": `{"code":"m-g","name":"Pin gauge","kind":"pin_gauge","size":"0.3180 in","gauge_class":"Z","gauge_sense":"minus"}`,
		"R1":   `{"code":"m-r","name":"Reamer","kind":"reamer","size":"0.322 in"}`,
	} {
		code := w.do("POST", w.at("tool-models"), w.officer, raw(model)).want(201).str("code")
		made := w.do("POST", w.at("tools"), w.as("tool_keeper"), row{"number": number, "model": code, "garage": "north"}).want(201)
		if number == "C1" {
			w.caliper = made.str("id")
		}
	}
	return w
}

type row = map[string]any

// with returns a copy of r with the fields of more; a nil value takes one out.
func with(r row, more row) row {
	out := row{}
	for k, v := range r {
		out[k] = v
	}
	for k, v := range more {
		if v == nil {
			delete(out, k)
		} else {
			out[k] = v
		}
	}
	return out
}

var (
	gauged   = row{"joint": "only", "gauge": "0.318 in", "result": "starts"}
	measured = row{"joint": "only", "value": "8.01 mm", "with": "caliper"}
)

func codes(list any) []string {
	out := []string{}
	items, _ := list.([]any)
	for _, item := range items {
		out = append(out, item.(map[string]any)["code"].(string))
	}
	return out
}

func TestThreeFieldsAreEnoughAndTheAnswerSaysWhatWasAssumed(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	member := w.as("member")
	g := w.do("POST", w.at("readings"), member, gauged).want(201)
	if diff := cmp.Diff([]string{"assumed_usual_feature", "assumed_pin_gauge", "assumed_both_ends", "assumed_whole_length", "assumed_deburred", "assumed_stage",
		"assumed_surface", "assumed_temperature", "assumed_taken_when_received"}, codes(g.get("assumed"))); diff != "" {
		t.Errorf("assumed, -want +got\n%s", diff)
	}
	want := row{"kind": "starts", "with": "pin_gauge", "end": "both", "part_length": false, "stage": "as_found", "surface": "unknown",
		"entered": row{"value": 0.318, "unit": "in"}, "size": row{"value": 8.0772, "unit": "mm", "text": "8.0772 mm"}}
	for name, value := range want {
		if diff := cmp.Diff(value, g.get(name)); diff != "" {
			t.Errorf("%s, -want +got\n%s", name, diff)
		}
	}
	m := w.do("POST", w.at("readings"), member, measured).want(201)
	if diff := cmp.Diff([]string{"assumed_usual_feature", "assumed_any_station", "assumed_any_direction", "assumed_deburred", "assumed_stage", "assumed_surface",
		"assumed_temperature", "assumed_taken_when_received"}, codes(m.get("assumed"))); diff != "" {
		t.Errorf("assumed, -want +got\n%s", diff)
	}
	for _, made := range []*response{g, m} {
		again := w.do("GET", made.header.Get("Location"), w.as("auditor"), nil).want(200)
		if string(again.body) != string(made.body) {
			t.Errorf("made %s\nread %s", made.body, again.body)
		}
		w.do("GET", made.header.Get("Location"), member, nil, header{"If-None-Match", again.header.Get("ETag")}).want(304)
	}
	w.do("GET", w.at("readings/"+newID()), member, nil).want(404).wantProblem("not-found")
	w.do("POST", w.at("readings"), w.as("auditor"), gauged).want(403).wantProblem("missing-role")
}

func TestNothingIsAssumedOfWhatIsStated(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	full := w.do("POST", w.at("readings"), w.officer, row{"id": newID(), "joint": w.joint, "feature": "bore", "value": row{"value": 8.0100, "unit": "mm"}, "instrument": "C1",
		"station": "mouth_a", "direction": 45.5, "deburred": true, "stage": "cleaned", "surface": "scored",
		"temperature": row{"value": 68, "unit": "[degF]"}, "taken_at": "2026-01-05T18:30:00+01:00"}).want(201)
	if got := full.get("assumed"); len(got.([]any)) != 0 {
		t.Errorf("assumed %v", got)
	}
	want := row{"feature_id": w.bore, "joint_id": w.joint, "instrument_id": w.caliper, "with": "caliper", "station": "mouth_a", "direction": 45.5, "deburred": true,
		"stage": "cleaned", "surface": "scored", "temperature_celsius": 20.0, "taken_at": "2026-01-05T17:30:00Z"}
	for name, value := range want {
		if diff := cmp.Diff(value, full.get(name)); diff != "" {
			t.Errorf("%s, -want +got\n%s", name, diff)
		}
	}
	byGauge := w.do("POST", w.at("readings"), w.officer, row{"joint": "left", "vehicle": "van", "gauge": "G318", "result": "no_go", "end": "a", "part_length": true}).want(201)
	if !strings.Contains(string(byGauge.body), `"value":0.3180}`) || byGauge.str("with") != "pin_gauge" || byGauge.str("instrument_id") == "" || byGauge.str("end") != "a" || byGauge.get("part_length") != true {
		t.Errorf("by the gauge's number: %s", byGauge.body)
	}
}

func TestTheEnteredDecimalIsKeptToItsLastZero(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	for _, sent := range []string{`"0.3180 in"`, `{"value":0.3180,"unit":"in"}`} {
		made := w.do("POST", w.at("readings"), w.officer, raw(`{"joint":"only","value":`+sent+`,"with":"caliper"}`)).want(201)
		for _, body := range []string{string(made.body), string(w.do("GET", made.header.Get("Location"), w.officer, nil).want(200).body)} {
			if !strings.Contains(body, `"value":0.3180`) || !strings.Contains(body, `"value":8.0772}`) {
				t.Errorf("sent %s, answered %s", sent, body)
			}
		}
	}
}

func TestReadingRefusals(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	soon := w.clock.now().Add(6 * time.Minute).Format(time.RFC3339)
	rows := map[string]struct {
		body  row
		fault string
	}{
		"neither value nor gauge":                    {row{"joint": "only"}, ""},
		"both value and gauge":                       {with(gauged, row{"value": "8 mm"}), "/gauge"},
		"a gauge without how it behaved":             {with(gauged, row{"result": nil}), "/result"},
		"a value with how a gauge behaved":           {with(measured, row{"result": "go"}), "/result"},
		"a value without what measured":              {with(measured, row{"with": nil}), "/with"},
		"a value by a gauge":                         {with(measured, row{"with": "pin_gauge"}), "/with"},
		"a gauge that is a caliper":                  {with(gauged, row{"with": "caliper"}), "/with"},
		"a gauge with an instrument":                 {with(gauged, row{"instrument": "C1"}), "/instrument"},
		"a micrometer in a bore":                     {with(measured, row{"with": "micrometer"}), "/with"},
		"a gauge over a pin":                         {with(gauged, row{"feature": "pin"}), "/gauge"},
		"a gauge tried in the middle":                {with(gauged, row{"station": "middle"}), "/station"},
		"a gauge tried from two different ends":      {with(gauged, row{"station": "mouth_a", "end": "b"}), "/end"},
		"a direction of a gauge":                     {with(gauged, row{"direction": 90}), "/direction"},
		"an end of a value":                          {with(measured, row{"end": "a"}), "/end"},
		"a part length of a value":                   {with(measured, row{"part_length": true}), "/part_length"},
		"a size of nothing":                          {with(measured, row{"value": "0 mm"}), "/value"},
		"a gauge below nothing":                      {with(gauged, row{"gauge": "-0.318 in"}), "/gauge"},
		"a gauge beyond ten metres":                  {with(gauged, row{"gauge": "99999 mm"}), "/gauge"},
		"a gauge without a unit":                     {with(gauged, row{"gauge": "0.318"}), "/gauge"},
		"a gauge in an unknown unit":                 {with(gauged, row{"gauge": row{"value": 1, "unit": "m"}}), "/gauge"},
		"an unknown tool as gauge":                   {with(gauged, row{"gauge": "G999"}), "/gauge"},
		"a reamer as gauge":                          {with(gauged, row{"gauge": "R1"}), "/gauge"},
		"a gauge whose kind is not what `with` says": {with(gauged, row{"gauge": "G318", "with": "plug_gauge"}), "/with"},
		"an unknown instrument":                      {with(measured, row{"with": nil, "instrument": "C9"}), "/instrument"},
		"a gauge as instrument":                      {with(measured, row{"with": nil, "instrument": "G318"}), "/instrument"},
		"an instrument that is not what `with` says": {with(measured, row{"with": "bore_gauge", "instrument": "C1"}), "/with"},
		"an unknown joint":                           {with(gauged, row{"joint": "roof"}), "/joint"},
		"a joint of another vehicle":                 {with(gauged, row{"vehicle": "van"}), "/joint"},
		"a joint that two vehicles have":             {with(gauged, row{"joint": "left"}), "/joint"},
		"no joint":                                   {with(gauged, row{"joint": nil}), "/joint"},
		"a feature's code without its joint":         {with(gauged, row{"joint": nil, "feature": "bore"}), "/joint"},
		"an unknown feature of the joint":            {with(gauged, row{"feature": "rod"}), "/feature"},
		"another joint's feature":                    {with(gauged, row{"feature": w.bore}), "/feature"},
		"an unknown feature":                         {with(gauged, row{"joint": nil, "feature": newID()}), "/feature"},
		"a time that has not come":                   {with(measured, row{"taken_at": soon}), "/taken_at"},
		"a workpiece hotter than any":                {with(measured, row{"temperature": row{"value": 401, "unit": "Cel"}}), "/temperature/value"},
		"a unit of temperature that is not UCUM's":   {with(measured, row{"temperature": row{"value": 20, "unit": "C"}}), "/temperature/unit"},
		"an id that is no UUID of version 7":         {with(measured, row{"id": uuid.NewString()}), "/id"},
		"a field that is not known":                  {with(measured, row{"bore": 1}), "/bore"},
	}
	for name, r := range rows {
		t.Run(name, func(t *testing.T) {
			w.do("POST", w.at("readings"), w.officer, r.body).want(422).wantFault(r.fault)
			inBatch := w.do("POST", w.at("readings"), w.officer, row{"readings": []any{r.body}}).want(200)
			if got, want := inBatch.str("rows", 0, "errors", 0, "pointer"), "/readings/0"+r.fault; got != want || inBatch.str("rows", 0, "status") != "refused" {
				t.Errorf("in a batch the fault is at %q, want %q\n%s", got, want, inBatch.body)
			}
		})
	}
	ambiguous := w.do("POST", w.at("readings"), w.officer, with(gauged, row{"joint": "left"})).wantProblem("ambiguous-name")
	if diff := cmp.Diff([]any{"coupe/left", "van/left"}, ambiguous.get("errors", 0, "candidates")); diff != "" {
		t.Errorf("candidates, -want +got\n%s", diff)
	}
	w.do("POST", w.at("readings"), w.officer, with(gauged, row{"feature": "rod"})).wantProblem("invalid-request")
	if n := count(t, w, `select count(*) from reading`); n != 0 {
		t.Errorf("refused readings left %d on record", n)
	}
	w.do("POST", w.at("readings"), w.officer, with(measured, row{"taken_at": w.clock.now().Add(4 * time.Minute).Format(time.RFC3339)})).want(201)
}

func count(t testing.TB, w *bench, sql string, args ...any) int {
	t.Helper()
	rows, err := w.db.Owner.Query(t.Context(), sql, args...)
	if err != nil {
		t.Fatal(err)
	}
	n, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[int])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAReadingWithAnIdIsCountedOnce(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	body := with(measured, row{"id": newID()})
	noKey := header{"Idempotency-Key", ""}
	first := w.do("POST", w.at("readings"), w.officer, body, noKey).want(201)
	w.clock.advance(time.Hour)
	again := w.do("POST", w.at("readings"), w.as("member"), body, noKey).want(200)
	if string(first.body) != string(again.body) {
		t.Errorf("first %s\nagain %s", first.body, again.body)
	}
	sameMeaning := with(body, row{"joint": first.str("joint_id"), "feature": "bore", "stage": "as_found", "value": row{"value": 8.01, "unit": "mm"}})
	w.do("POST", w.at("readings"), w.officer, sameMeaning, noKey).want(200)
	for name, other := range map[string]row{
		"another value": {"value": "8.02 mm"}, "another digit": {"value": "8.010 mm"}, "another method": {"with": "bore_gauge"}, "another feature": {"feature": "eye"},
		"another stage": {"stage": "cleaned"}, "a direction": {"direction": 90}, "a temperature": {"temperature": row{"value": 20, "unit": "Cel"}}, "a time": {"taken_at": "2026-01-01T00:00:00Z"},
	} {
		if r := w.do("POST", w.at("readings"), w.officer, with(body, other), noKey); r.status != 409 || r.str("type") != "/problems/id-used" {
			t.Errorf("%s under the same id: %d %s", name, r.status, r.body)
		}
	}
	if n := count(t, w, `select count(*) from reading`); n != 1 {
		t.Errorf("%d readings on record", n)
	}
	w.do("POST", w.at("readings"), w.officer, measured, noKey).want(400).wantProblem("key-missing")
	w.do("POST", w.at("readings"), w.officer, row{"readings": []any{body, measured}}, noKey).want(400).wantProblem("key-missing")
	key := header{"Idempotency-Key", newID()}
	keyed := w.do("POST", w.at("readings"), w.officer, measured, key).want(201)
	if replayed := w.do("POST", w.at("readings"), w.officer, measured, key).want(201); string(replayed.body) != string(keyed.body) || replayed.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("replayed %s\nfirst %s", replayed.body, keyed.body)
	}
	if n := count(t, w, `select count(*) from event where type = 'reading.created'`); n != 2 {
		t.Errorf("%d events for two readings", n)
	}
}

func TestADoubtfulSizeIsKeptWithAQuestion(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	rows := map[string]struct {
		body                row
		code, perhaps, text string
	}{
		"inch for millimetre": {with(gauged, row{"gauge": "0.318 mm"}), "far_from_nominal", "0.318 in",
			"0.318 mm is 1/25.1 of the nominal 7.9756 mm: was it 0.318 in? Replace it if so, or with the same size to confirm it; until then it counts for nothing."},
		"millimetre for inch": {with(measured, row{"value": "8.01 in"}), "far_from_nominal", "8.01 mm",
			"8.01 in is 25.5 times the nominal 0.314 in: was it 8.01 mm? Replace it if so, or with the same size to confirm it; until then it counts for nothing."},
		"a decimal point one place along": {with(measured, row{"value": "80.1 mm"}), "far_from_nominal", "8.01 mm",
			"80.1 mm is 10 times the nominal 7.9756 mm: was it 8.01 mm? Replace it if so, or with the same size to confirm it; until then it counts for nothing."},
		"another joint's size": {with(measured, row{"value": "12 mm"}), "far_from_nominal", "",
			"12 mm is 50 % above the nominal 7.9756 mm: is that so? Replace it if not, or with the same size to confirm it; until then it counts for nothing."},
		"no size of a bore, where no nominal is known": {with(gauged, row{"joint": "eyelet", "gauge": "0.318 mm"}), "out_of_range", "0.318 in",
			"0.318 mm is hardly the size of a pin or bore (0.5 mm to 100 mm): was it 0.318 in? Replace it if so, or with the same size to confirm it; until then it counts for nothing."},
	}
	for name, r := range rows {
		t.Run(name, func(t *testing.T) {
			made := w.do("POST", w.at("readings"), w.officer, r.body).want(201)
			if made.str("doubtful", "code") != r.code || made.str("doubtful", "params", "perhaps") != r.perhaps || made.str("doubtful", "text") != r.text {
				t.Errorf("doubtful is %v", made.get("doubtful"))
			}
		})
	}
	for name, value := range map[string]string{"worn by a tenth": "8.77 mm", "a third below": "5.6 mm", "at the upper line": "10.36 mm"} {
		if made := w.do("POST", w.at("readings"), w.officer, with(measured, row{"value": value})).want(201); made.get("doubtful") != nil {
			t.Errorf("%s: %v", name, made.get("doubtful"))
		}
	}
}

func TestAVoidedReadingStaysOnRecord(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	made := w.do("POST", w.at("readings"), w.as("member"), measured).want(201)
	at := made.header.Get("Location")
	tag := w.do("GET", at, w.officer, nil).header.Get("ETag")
	why := row{"reason": "read on the burr"}
	w.do("POST", at+"/void", w.as("member,auditor"), why).want(403).wantProblem("missing-role")
	w.do("POST", at+"/void", w.as("member"), row{"reason": " "}).want(422).wantFault("/reason")
	w.do("POST", at+"/void", w.as("member"), why, header{"Idempotency-Key", ""}).want(400).wantProblem("key-missing")
	w.do("POST", w.at("readings/"+newID()+"/void"), w.officer, why).want(404)
	key := header{"Idempotency-Key", newID()}
	void := w.do("POST", at+"/void", w.as("member"), why, key).want(200)
	if void.str("void", "reason") != "read on the burr" || void.get("void", "replaced_by") != nil {
		t.Errorf("voided: %s", void.body)
	}
	if again := w.do("POST", at+"/void", w.as("member"), why, key).want(200); string(again.body) != string(void.body) {
		t.Errorf("replayed %s\nfirst %s", again.body, void.body)
	}
	w.do("POST", at+"/void", w.as("member"), why).want(409).wantProblem("not-allowed-now")
	after := w.do("GET", at, w.officer, nil, header{"If-None-Match", tag}).want(200)
	if string(after.body) != string(void.body) {
		t.Errorf("read %s\nvoided %s", after.body, void.body)
	}
	other := w.do("POST", w.at("readings"), w.as("member"), measured).want(201)
	w.do("POST", other.header.Get("Location")+"/void", w.as("tool_keeper"), why).want(200)
	if n := count(t, w, `select count(*) from event where type = 'reading.voided' and subject_version = 2`); n != 2 {
		t.Errorf("%d events for two voids", n)
	}
}

func TestAReadingIsReplacedInOneStep(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	wrong := w.do("POST", w.at("readings"), w.as("member"), with(gauged, row{"gauge": "0.318 mm"})).want(201)
	at := wrong.header.Get("Location") + "/replace"
	body := row{"reason": "inch, not millimetre", "reading": with(gauged, row{"id": newID()})}
	w.do("POST", at, w.as("member,auditor"), body).want(403).wantProblem("missing-role")
	w.do("POST", at, w.as("member"), row{"reason": "inch", "reading": with(gauged, row{"joint": "roof"})}).want(422).wantFault("/reading/joint")
	w.do("POST", at, w.as("member"), row{"reason": "inch", "reading": with(gauged, row{"result": "perhaps"})}).want(422).wantFault("/reading/result")
	w.do("POST", at, w.as("member"), row{"reason": "inch", "reading": with(gauged, row{"id": wrong.str("id")})}).want(409).wantProblem("id-used")
	if w.do("GET", wrong.header.Get("Location"), w.officer, nil).want(200).get("void") != nil {
		t.Fatal("a refused replacement voided the reading")
	}
	key := header{"Idempotency-Key", newID()}
	right := w.do("POST", at, w.as("member"), body, key).want(201)
	if again := w.do("POST", at, w.as("member"), body, key).want(201); string(again.body) != string(right.body) {
		t.Errorf("replayed %s\nfirst %s", again.body, right.body)
	}
	if right.get("doubtful") != nil {
		t.Errorf("the right one is doubted: %s", right.body)
	}
	if read := w.do("GET", right.header.Get("Location"), w.officer, nil).want(200); string(read.body) != string(right.body) {
		t.Errorf("read %s\nmade %s", read.body, right.body)
	}
	if by := w.do("GET", wrong.header.Get("Location"), w.officer, nil).want(200).str("void", "replaced_by"); by != right.str("id") {
		t.Errorf("replaced by %q, want %q", by, right.str("id"))
	}
	w.do("POST", at, w.as("member"), with(body, row{"reading": gauged})).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("readings/"+newID()+"/replace"), w.officer, body).want(404)
}

func TestADoubtfulSizeIsConfirmedByReplacingItWithTheSame(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	bush := with(measured, row{"value": "12 mm"})
	first := w.do("POST", w.at("readings"), w.officer, bush).want(201)
	if second := w.do("POST", w.at("readings"), w.officer, bush).want(201); second.str("doubtful", "code") != "far_from_nominal" {
		t.Errorf("a second reading of the same size is not doubted: %s", second.body)
	}
	other := w.do("POST", first.header.Get("Location")+"/replace", w.officer, row{"reason": "slipped", "reading": with(bush, row{"value": "12.1 mm"})}).want(201)
	if other.get("doubtful") == nil {
		t.Errorf("another size confirmed it: %s", other.body)
	}
	same := w.do("POST", other.header.Get("Location")+"/replace", w.officer, row{"reason": "it is a bush by now", "reading": with(bush, row{"value": "12.10 mm"})}).want(201)
	read := w.do("GET", same.header.Get("Location"), w.officer, nil).want(200)
	if same.get("doubtful") != nil || read.get("doubtful") != nil {
		t.Errorf("confirmed and still doubted: %s", read.body)
	}
}

func TestReadingsAreListedNewestFirstByEachFilter(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	day := func(n int) string { return time.Date(2026, 1, n, 12, 0, 0, 0, time.UTC).Format(time.RFC3339) }
	var batch []any
	names := map[string]string{}
	add := func(name string, r row) {
		id := newID()
		names[id] = name
		batch = append(batch, with(r, row{"id": id}))
	}
	for i := 1; i <= 5; i++ {
		add(fmt.Sprintf("only%d", i), with(measured, row{"taken_at": day(i)}))
	}
	add("left3", with(measured, row{"joint": "left", "vehicle": "coupe", "with": nil, "instrument": "C1", "taken_at": day(3)}))
	add("pin4", with(measured, row{"joint": "left", "vehicle": "coupe", "feature": "pin", "taken_at": day(4)}))
	add("van5", with(gauged, row{"joint": "left", "vehicle": "van", "gauge": "G318", "taken_at": day(5)}))
	add("van2", with(gauged, row{"joint": "right", "vehicle": "van", "gauge": "G318", "taken_at": day(2)}))
	if n := w.do("POST", w.at("readings"), w.officer, row{"readings": batch}).want(200).num("created"); n != 9 {
		t.Fatalf("%v created", n)
	}
	for query, want := range map[string]string{
		"":                                     "van5 only5 pin4 only4 left3 only3 van2 only2 only1",
		"vehicle=van":                          "van5 van2",
		"vehicle=" + w.vehicle:                 "only5 pin4 only4 left3 only3 only2 only1",
		"joint=only":                           "only5 only4 only3 only2 only1",
		"joint=" + w.joint:                     "pin4 left3",
		"joint=left&vehicle=van":               "van5",
		"feature=" + w.pin:                     "pin4",
		"feature=" + w.bore:                    "left3",
		"feature=" + w.bore + "&vehicle=coupe": "left3",
		"instrument=G318":                      "van5 van2",
		"instrument=" + w.caliper:              "left3",
		"instrument=G318&vehicle=coupe":        "",
		"from=" + day(4):                       "van5 only5 pin4 only4",
		"until=" + day(2):                      "only1",
		"from=" + day(2) + "&until=" + day(4) + "&joint=only": "only3 only2",
	} {
		t.Run(query, func(t *testing.T) {
			for _, limit := range []int{1, 2, 100} {
				var got []string
				for at := w.at(fmt.Sprintf("readings?limit=%d&%s", limit, query)); at != ""; {
					page := w.do("GET", at, w.as("auditor"), nil).want(200)
					for _, item := range page.get("items").([]any) {
						got = append(got, names[item.(map[string]any)["id"].(string)])
					}
					at, _, _ = strings.Cut(strings.TrimPrefix(page.header.Get("Link"), "<"), ">")
				}
				if diff := cmp.Diff(want, strings.Join(got, " ")); diff != "" {
					t.Errorf("in pages of %d, -want +got\n%s", limit, diff)
				}
			}
		})
	}
	for query, fault := range map[string]string{"vehicle=bus": "?vehicle", "joint=roof": "?joint", "feature=" + newID(): "?feature", "instrument=C9": "?instrument", "cursor=AAAA": "?cursor", "from=yesterday": "?from"} {
		w.do("GET", w.at("readings?"+query), w.officer, nil).want(422).wantFault(fault)
	}
	w.do("GET", w.at("readings?joint=left"), w.officer, nil).want(422).wantProblem("ambiguous-name")
}
