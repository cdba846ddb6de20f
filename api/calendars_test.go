package api_test

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/apognu/gocal"
	"github.com/emersion/go-ical"
	"github.com/getkin/kin-openapi/openapi3filter"

	"pinwright/api"
)

func init() { openapi3filter.RegisterBodyDecoder("text/calendar", openapi3filter.FileBodyDecoder) }

// subscribe makes a calendar.
func (w *world) subscribe(token string, fields row, headers ...header) *response {
	w.t.Helper()
	return w.do("POST", w.at("calendars"), token, with(row{"id": newID()}, fields), headers...)
}

// poll asks for a calendar as a calendar program does.
func (w *world) poll(made *response, headers ...header) *response {
	w.t.Helper()
	return w.do("GET", strings.TrimPrefix(made.str("url"), reachedAt), "", nil, headers...)
}

// events are what a calendar tells by two programs' reading of it: summaries by
// UID.
func (r *response) events() map[string]string {
	r.t.Helper()
	c, err := ical.NewDecoder(bytes.NewReader(r.body)).Decode()
	if err != nil {
		r.t.Fatalf("go-ical: %v\n%s", err, r.body)
	}
	out := map[string]string{}
	for _, e := range c.Events() {
		uid, err := e.Props.Text("UID")
		if err != nil {
			r.t.Fatal(err)
		}
		if out[uid], err = e.Props.Text("SUMMARY"); err != nil {
			r.t.Fatal(err)
		}
	}
	p := gocal.NewParser(bytes.NewReader(r.body))
	p.SkipBounds = true
	if err := p.Parse(); err != nil {
		r.t.Fatalf("gocal: %v\n%s", err, r.body)
	}
	if len(p.Events) != len(out) {
		r.t.Errorf("gocal reads %d events, go-ical %d\n%s", len(p.Events), len(out), r.body)
	}
	for _, e := range p.Events {
		if out[e.Uid] != e.Summary {
			r.t.Errorf("gocal reads %q, go-ical %q", e.Summary, out[e.Uid])
		}
	}
	return out
}

func TestACalendarIsPolled(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	member := w.as("member")
	made := w.subscribe(member, row{"of": "member"}).want(201)
	if got := made.header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("the answer with the address may be kept: %q", got)
	}
	if !strings.HasPrefix(made.str("url"), reachedAt+"/v1/calendars/pwa_") || !strings.HasSuffix(made.str("url"), ".ics") {
		t.Fatalf("url %q", made.str("url"))
	}
	empty := w.poll(made).want(200)
	if len(empty.events()) != 0 {
		t.Errorf("%s", empty.body)
	}
	from := w.clock.now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 7).Add(12 * time.Hour)
	reserved := w.do("POST", w.at("reservations"), member, row{"lines": []row{{"tool": "R-0.318"}}, "period": row{"from": from, "until": from.Add(24 * time.Hour)}}).want(201)
	got := w.poll(made).want(200)
	for name, want := range map[string]string{"Content-Type": "text/calendar; charset=utf-8", "Cache-Control": "private, no-cache", "Vary": "Origin", "Referrer-Policy": "no-referrer"} {
		if have := got.header.Get(name); have != want {
			t.Errorf("%s: %q, want %q", name, have, want)
		}
	}
	tag := got.header.Get("ETag")
	if !strings.HasPrefix(tag, `"`) || tag == empty.header.Get("ETag") {
		t.Errorf("ETag %s (RFC 9110, 8.8.3), before %s", tag, empty.header.Get("ETag"))
	}
	if len(got.events()) != 1 || !strings.Contains(strings.ReplaceAll(string(got.body), "\r\n ", ""), "SOURCE;VALUE=URI:"+made.str("url")+"\r\n") {
		t.Errorf("%s", got.body)
	}
	// As long as the day lasts and nothing changes: the same bytes, and not even these for who has them.
	w.clock.advance(w.clock.now().UTC().Truncate(24 * time.Hour).Add(24*time.Hour - time.Second).Sub(w.clock.now()))
	again := w.poll(made).want(200)
	if !bytes.Equal(again.body, got.body) || again.header.Get("ETag") != tag {
		t.Errorf("other bytes though nothing changed:\n%s\n%s", got.body, again.body)
	}
	if unchanged := w.poll(made, header{"If-None-Match", tag}).want(304); len(unchanged.body) > 0 || unchanged.header.Get("ETag") != tag {
		t.Errorf("%v %s", unchanged.header, unchanged.body)
	}
	without := strings.TrimSuffix(strings.TrimPrefix(made.str("url"), reachedAt), ".ics")
	if same := w.do("GET", without, "", nil).want(200); !bytes.Equal(same.body, got.body) {
		t.Error("without .ics it is another calendar")
	}
	head := httptest.NewRecorder()
	w.handler.ServeHTTP(head, httptest.NewRequest("HEAD", without, nil))
	if head.Code != 200 || head.Body.Len() > 0 || head.Header().Get("ETag") != tag || head.Header().Get("Content-Length") != got.header.Get("Content-Length") {
		t.Errorf("HEAD: %d %v %s", head.Code, head.Header(), head.Body)
	}
	w.do("POST", without, "", nil).want(405)

	w.do("POST", w.at("reservations/"+reserved.str("id")+"/cancel"), member, nil).want(200)
	cancelled := w.poll(made, header{"If-None-Match", tag}).want(200)
	if !strings.Contains(string(cancelled.body), "STATUS:CANCELLED\r\n") || !strings.Contains(string(cancelled.body), "SEQUENCE:1\r\n") {
		t.Errorf("%s", cancelled.body)
	}
}

func TestMakingACalendar(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	member, officer := w.as("member"), w.officer
	id := newID()
	body := row{"id": id, "of": "tool", "tool": "R-0.318", "names": true}
	first := w.do("POST", w.at("calendars"), member, body).want(201)
	if got := first.str("tool_number") + " " + first.str("summary"); got != "R-0.318 What becomes of tool R-0.318, with the names of who borrows. Whoever has the address sees it." {
		t.Error(got)
	}
	if again := w.do("POST", w.at("calendars"), member, body).want(200); again.get("url") != nil || again.str("id") != id {
		t.Errorf("%s", again.body)
	}
	w.do("POST", w.at("calendars"), member, with(body, row{"names": false})).want(409).wantProblem("id-used")
	w.do("POST", w.at("calendars"), officer, body).want(409).wantProblem("id-used")
	for pointer, fields := range map[string]row{
		"/tool":   {"of": "tool"},
		"/garage": {"of": "garage"},
		"/names":  {"of": "member", "names": true},
	} {
		w.subscribe(member, fields).want(422).wantFault(pointer)
	}
	w.subscribe(member, row{"of": "member", "tool": "R-0.318"}).want(422).wantFault("/tool")
	w.subscribe(member, row{"of": "tool", "tool": "R-0.318", "garage": "north"}).want(422).wantFault("/garage")
	w.subscribe(member, row{"of": "tool", "tool": "nowhere"}).want(422).wantFault("/tool")
	w.subscribe(member, row{"of": "garage", "garage": "nowhere"}).want(422).wantFault("/garage")
	// Nobody makes one of somebody else: there is no place to say of whom.
	w.subscribe(officer, row{"of": "member", "member": "T-member"}).want(422)

	garage := w.subscribe(w.as("auditor"), row{"of": "garage", "garage": "north"}).want(201)
	if garage.str("garage_code") != "north" {
		t.Errorf("%s", garage.body)
	}
	count := func(token string) int {
		items, _ := w.do("GET", w.at("calendars"), token, nil).want(200).get("items").([]any)
		for _, item := range items {
			if item.(map[string]any)["url"] != nil {
				t.Error("a list shows an address")
			}
		}
		return len(items)
	}
	if mine, theirs, all := count(member), count(w.as("auditor")), count(officer); mine != 1 || theirs != 1 || all != 2 {
		t.Errorf("a member sees %d, another %d, an officer %d", mine, theirs, all)
	}
	at := w.at("calendars/" + garage.str("id"))
	w.do("GET", at, member, nil).want(404)
	w.do("POST", at+"/revoke", member, nil).want(404)
	w.do("GET", at, w.as("auditor"), nil).want(200)
	w.poll(garage).want(200)
	for range 2 {
		if revoked := w.do("POST", at+"/revoke", officer, nil).want(200); revoked.get("revoked_at") == nil {
			t.Errorf("%s", revoked.body)
		}
	}
	w.poll(garage).want(404).wantProblem("not-found")
	w.poll(first).want(200)
	who := w.do("GET", w.at("me"), member, nil).want(200).str("member", "id")
	w.do("POST", w.at("members/"+who+"/erase"), officer, row{"reason": "left"}).want(200)
	w.poll(first).want(404).wantProblem("not-found")
}

// The address lets whoever has it see, so it stands in no table, no line of the log,
// no figure and no span.
func TestTheAddressOfACalendarIsWrittenNowhere(t *testing.T) {
	t.Parallel()
	w, spans := tracedWorld(t)
	w.hinges()
	made := w.subscribe(w.officer, row{"of": "garage", "garage": "north", "names": true}).want(201)
	w.poll(made).want(200)
	w.poll(made, header{"If-None-Match", "*"}).want(304)
	w.do("GET", strings.TrimPrefix(made.str("url"), reachedAt)+"?x=1", "", nil).want(422)
	w.do("POST", strings.TrimPrefix(made.str("url"), reachedAt), "", nil).want(405)
	w.do("POST", w.at("calendars/"+made.str("id")+"/revoke"), w.officer, nil).want(200)
	w.poll(made).want(404)
	secret := strings.TrimSuffix(made.str("url")[strings.LastIndex(made.str("url"), "pwa_")+len("pwa_"):], ".ics")
	random := secret[24:60] // none of it tells the club
	metrics := httptest.NewRecorder()
	w.handler.ServeHTTP(metrics, httptest.NewRequest("GET", "/metrics", nil))
	logged, figures := w.log.text(), metrics.Body.String()
	traced := outline(spans.GetSpans())
	for what, text := range map[string]string{"a table": w.everything(), "the log": logged, "the figures": figures, "the traces": traced} {
		if strings.Contains(strings.ToLower(text), strings.ToLower(random)) {
			t.Errorf("the address stands in %s", what)
		}
	}
	for what, text := range map[string]string{"the log": logged, "the figures": figures, "the traces": traced} {
		if !strings.Contains(text, "/v1/calendars/:calendar_address") {
			t.Errorf("%s does not tell the route, so that this looks at nothing", what)
		}
	}
}

// Who fetches many calendars from one place has a rate for each, once it is known;
// who guesses has one for all guesses.
func TestEachCalendarHasARate(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *api.Options) { o.Limits.Rate, o.Limits.Burst = 1, 20 })
	first, second := w.subscribe(w.officer, row{"of": "member"}).want(201), w.subscribe(w.officer, row{"of": "member"}).want(201)
	w.poll(first).want(200)
	w.poll(second).want(200)
	status := http.StatusOK
	for range 30 {
		if status = w.poll(first).status; status == http.StatusTooManyRequests {
			break
		}
	}
	if status != http.StatusTooManyRequests {
		t.Error("a calendar is polled without end")
	}
	w.poll(second).want(200)
	guess := strings.TrimSuffix(strings.TrimPrefix(first.str("url"), reachedAt), ".ics")
	for n := range 30 {
		if status = w.do("GET", guess+strings.Repeat("0", n+1), "", nil).status; status == http.StatusTooManyRequests {
			break
		}
	}
	if status != http.StatusTooManyRequests {
		t.Error("addresses are guessed without end")
	}
}
