package api_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/problem"
	"pinwright/internal/specimen"
)

// FuzzAnyRequest sends any request that net/http can read through the whole
// chain of handlers to a real database: no answer is a server error, every
// answer keeps the contract, and whatever is not a success leaves every table's
// row count and every journal's head as they were.
//
// In the target and the body, {name} stands for the id of one's own thing of
// that kind and {their_name} for another club's.
func FuzzAnyRequest(f *testing.F) {
	w := newWorld(f)
	mine, err := specimen.Fill(f.Context(), w.db.Owner, w.club.ClubID, "mine")
	if err != nil {
		f.Fatal(err)
	}
	other := w.found("brook-end")
	theirs, err := specimen.Fill(f.Context(), w.db.Owner, other.ClubID, "theirs")
	if err != nil {
		f.Fatal(err)
	}
	things := map[string]string{"club": w.slug, "their_club": other.ClubID.String(), "new": ""}
	for name, id := range mine.ID {
		things[name] = id.String()
	}
	for name, id := range theirs.ID {
		things["their_"+name] = id.String()
	}
	things["joint"], things["their_joint"] = mine.ID["joint"].String(), theirs.ID["joint"].String()
	expired := access.NewSecret(w.club.ClubID)
	tokens := []string{everyRole(f, w), other.Secret.Reveal(), expired.Reveal(), "", "letmein"}

	addSeeds(f)
	before := w.rows()
	f.Fuzz(func(t *testing.T, method, target, headers string, body []byte, who uint8) {
		w.t = t
		w.log.show(t)
		defer w.log.show(nil)
		things["new"] = newID()
		token := tokens[int(who)%len(tokens)]
		text := []byte(fill(string(body), things))
		var wire bytes.Buffer
		fmt.Fprintf(&wire, "%s %s HTTP/1.1\r\nHost: garage.test\r\nContent-Length: %d\r\n", method, fill(target, things), len(text))
		if token != "" {
			fmt.Fprintf(&wire, "Authorization: Bearer %s\r\n", token)
		}
		for line := range strings.Lines(fill(headers, things)) {
			wire.WriteString(strings.TrimRight(line, "\r\n") + "\r\n")
		}
		wire.WriteString("\r\n")
		wire.Write(text)
		r, err := http.ReadRequest(bufio.NewReader(&wire))
		if err != nil {
			return // net/http answers it by itself
		}
		r = r.WithContext(t.Context())
		r.RemoteAddr = "192.0.2.1:1234"
		rec := httptest.NewRecorder()
		w.handler.ServeHTTP(rec, r)
		hold(t, w, r, rec)
		if rec.Code < 200 || rec.Code >= 300 {
			if after := w.rows(); before != nil && after != nil {
				if diff := cmp.Diff(before, after); diff != "" {
					t.Errorf("%s %s: answered %d, but left behind (-before +after):\n%s", r.Method, r.RequestURI, rec.Code, diff)
				}
			}
		} else if r.Method != http.MethodGet && r.Method != http.MethodHead || strings.HasSuffix(r.URL.Path, "/history") { // giving a vehicle's history out is noted
			before = w.rows()
		}
	})
}

// everyRole is a token of somebody who may do everything; its use counts as
// noted, since noting it writes beside the request.
func everyRole(f *testing.F, w *world) string {
	f.Helper()
	secret, id := access.NewSecret(w.club.ClubID), uuid.Must(uuid.NewV7())
	if _, err := w.db.Owner.Exec(f.Context(), `with m as (insert into member (club_id, id, number, name, roles) values ($1, $2, 'everybody', 'Everybody', $3) returning id)
		insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, used_on, fingerprint)
		select $1, $4, $2, m.id, 'fuzz', 'personal', '{write}', $5, $6, '2126-01-01', '' from m`,
		w.club.ClubID, id, allRoles, secret.Hash(), w.clock.now(), w.clock.now().Add(24*time.Hour)); err != nil {
		f.Fatal(err)
	}
	return secret.Reveal()
}

var placeholder = regexp.MustCompile(`\{[a-z_]+\}`)

func fill(text string, things map[string]string) string {
	return placeholder.ReplaceAllStringFunc(text, func(name string) string {
		if value, ok := things[name[1:len(name)-1]]; ok {
			return value
		}
		return name
	})
}

// hold holds an answer to the contract, or to what holds outside it: pages are
// found or told as a problem.
func hold(t *testing.T, w *world, r *http.Request, rec *httptest.ResponseRecorder) {
	t.Helper()
	what := r.Method + " " + r.RequestURI
	if rec.Code >= 500 {
		t.Errorf("%s: answered %d\n%s", what, rec.Code, rec.Body)
	}
	if r.Method == http.MethodHead {
		if rec.Body.Len() > 0 {
			t.Errorf("%s: HEAD was answered with a body", what)
		}
		return
	}
	if _, _, err := w.router.FindRoute(r); err == nil {
		w.holdToContract(r, &response{t: t, what: what, status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()})
		return
	}
	if rec.Code < 400 {
		return
	}
	var doc struct {
		Type   string
		Status int
		Detail string
	}
	if err := json.Unmarshal(rec.Body.Bytes(), &doc); err != nil || rec.Header().Get("Content-Type") != "application/problem+json" || doc.Status != rec.Code || doc.Detail == "" ||
		!slices.ContainsFunc(problem.Kinds(), func(k problem.Kind) bool { return "/problems/"+k.Code == doc.Type }) {
		t.Errorf("%s: answered %d with what is no problem document: %s %s", what, rec.Code, rec.Header().Get("Content-Type"), rec.Body)
	}
}

// addSeeds adds each operation as it should be asked, with each place that
// refers to something, and the forms that have broken such services before.
func addSeeds(f *testing.F) {
	f.Helper()
	for _, op := range everyOperation(f) {
		headers := ""
		if op.repeat != "" && op.repeat != "none" {
			headers += "Idempotency-Key: {new}\n"
		}
		if op.ifMatch {
			headers += "If-Match: \"1.mm\"\n"
		}
		if len(op.bodies()) == 0 {
			f.Add(op.method, op.path, headers, []byte(nil), uint8(0))
			continue
		}
		for _, media := range slices.Sorted(maps.Keys(op.bodies())) {
			head := headers + "Content-Type: " + media + "\n"
			if op.bodies()[media].Schema.Value.Format == "binary" {
				f.Add(op.method, op.path+"?id={new}", head, []byte(smallPhoto), uint8(0))
				continue
			}
			add := func(body any) {
				text, err := json.Marshal(body)
				if err != nil {
					f.Fatal(err)
				}
				f.Add(op.method, op.path, head, text, uint8(0))
			}
			add(exampleOf(f, op.bodies()[media].Schema))
			for _, p := range references(f, op.bodies()[media].Schema) {
				name := p.pointer[strings.LastIndex(p.pointer, "/")+1:]
				add(p.body("{" + name + "}"))
				add(p.body("{their_" + name + "}"))
			}
		}
	}
	for _, query := range []string{"limit=0", "limit=99999999999999999999", "cursor=AAAA", "cursor=%00", "limit=1&limit=2", "=", "%zz", "limit=1;cursor=a", "units=in"} {
		f.Add("GET", "/v1/clubs/{club}/tools?"+query, "", []byte(nil), uint8(0))
	}
	for _, path := range []string{"/", "//", "/v1", "/v1/clubs", "/v1/clubs/{club}/", "/v1/clubs/%00/tools", "/v1/clubs/{club}/tools/%2F", "/v1/clubs/{club}/tools/..%2f..", "/v1/clubs/{their_club}/tools", "/reference", "/problems", "/problems/not-found", "/metrics", "*"} {
		f.Add("GET", path, "", []byte(nil), uint8(0))
		f.Add("OPTIONS", path, "Origin: https://example.org\nAccess-Control-Request-Method: POST\n", []byte(nil), uint8(3))
	}
	for _, body := range []string{"", "{", "null", "[]", "\xff", "{\"a\":1,\"a\":2}", `{"value":1e999}`, `{"value":"\u0000"}`, strings.Repeat("[", 20000), `{"value":-0.0e-400,"with":"caliper"}`} {
		f.Add("POST", "/v1/clubs/{club}/readings", "Content-Type: application/json\nIdempotency-Key: {new}\n", []byte(body), uint8(0))
	}
	for _, headers := range []string{"Content-Type: text/plain\n", "Content-Type: application/json; charset=utf-16\n", "Content-Type: ;\n", "Accept: text/csv\n", "Accept: application/xml;q=0.000\n", "If-None-Match: *\n", "If-None-Match: \"\n", "Range: bytes=0-1\n", "Expect: 100-continue\n", "Idempotency-Key: \"{new}\"\n", "X-Request-Id: a b\n", "X-Forwarded-For: ::1\n", "Content-Encoding: gzip\n"} {
		f.Add("POST", "/v1/clubs/{club}/garages", headers, []byte(`{"code":"g","name":"G","time_zone":"UTC"}`), uint8(0))
		f.Add("GET", "/v1/clubs/{club}/members/{member}", headers, []byte(nil), uint8(0))
	}
}
