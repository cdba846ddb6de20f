package api_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const csvMedia = "text/csv; charset=utf-8; header=present"

// asCSV are the operations that the contract answers as CSV, which must be all
// whose answer is a list.
func asCSV(t *testing.T) []walked {
	t.Helper()
	var out []walked
	for _, op := range everyOperation(t) {
		good := op.spec.Responses.Status(200)
		if op.method != http.MethodGet || good == nil {
			continue
		}
		isList := op.spec.Extensions["x-page"] == true
		if j := good.Value.Content["application/json"]; j != nil && j.Schema.Value.Properties["items"] != nil {
			isList = true
		}
		if has := good.Value.Content["text/csv"] != nil && len(good.Value.Content) > 1; has != isList {
			t.Errorf("%s: a list %v, answered as CSV %v", op, isList, has)
		}
		if isList {
			out = append(out, op)
		}
	}
	if len(out) < 11 {
		t.Fatalf("only %d lists", len(out))
	}
	return out
}

// Every list says the same as CSV and as JSON. The JSON is walked from its
// leaves, the other way round than the service goes.
func TestEveryListSaysTheSameAsCSV(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range asCSV(t) {
		t.Run(op.id, func(t *testing.T) {
			path := w.furnishedAt(op)
			asJSON := w.do("GET", path, w.officer, nil).want(200)
			got := w.do("GET", path, w.officer, nil, header{"Accept", "text/csv"}).want(200)
			if media := got.header.Get("Content-Type"); media != csvMedia {
				t.Errorf("Content-Type %q", media)
			}
			if got.header.Get("Vary") != "Origin, Accept" || asJSON.header.Get("Vary") != "Origin, Accept" {
				t.Errorf("Vary %q and %q: a cache would mix them up (RFC 9110, 12.5.5)", got.header.Get("Vary"), asJSON.header.Get("Vary"))
			}
			if strings.Count(string(got.body), "\r\n") == 0 || !bytes.HasSuffix(got.body, []byte("\r\n")) {
				t.Errorf("lines end with CRLF (RFC 4180, 2.1): %q", got.body)
			}
			rows, err := csv.NewReader(bytes.NewReader(got.body)).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			items := itemsOf(t, asJSON)
			if len(items) == 0 || len(rows) != len(items)+1 {
				t.Fatalf("%d items, %d rows; a furnished world has something in every list", len(items), len(rows))
			}
			columns, _ := op.spec.Responses.Status(200).Value.Content["text/csv"].Extensions["x-columns"].([]any)
			for i, name := range rows[0] {
				if len(columns) != len(rows[0]) || columns[i] != name {
					t.Fatalf("header %v, the contract says %v", rows[0], columns)
				}
			}
			for i, item := range items {
				sameAsRow(t, item, rows[0], rows[i+1])
			}
		})
	}
}

func itemsOf(t *testing.T, r *response) []any {
	t.Helper()
	dec := json.NewDecoder(bytes.NewReader(r.body))
	dec.UseNumber()
	var list struct{ Items []any }
	if err := dec.Decode(&list); err != nil {
		t.Fatal(err)
	}
	return list.Items
}

// sameAsRow holds every leaf of an item against the cell that is for it, and
// every cell that is not empty against a leaf.
func sameAsRow(t *testing.T, item any, names, cells []string) {
	t.Helper()
	want := map[string]string{}
	inList := map[string]bool{}
	var walk func(at string, v any, listed bool)
	walk = func(at string, v any, listed bool) {
		if slices.Contains(names, at) {
			if _, isMap := v.(map[string]any); isMap {
				want[at] = compact(t, v)
				return
			}
			if list, isList := v.([]any); isList && !slices.ContainsFunc(list, composite) {
				parts := make([]string, len(list))
				for i, m := range list {
					parts[i] = strings.NewReplacer(`\`, `\\`, `|`, `\|`).Replace(leaf(m))
				}
				want[at] = strings.Join(parts, "|")
				return
			}
		}
		switch v := v.(type) {
		case map[string]any:
			for name, member := range v {
				_, length := v["unit"]
				_, money := v["currency"]
				if name == "text" && (length && v["value"] != nil || money && v["minor"] != nil) {
					continue // says again what number and unit say
				}
				walk(strings.TrimPrefix(at+"."+name, "."), member, listed)
			}
		case []any:
			for _, member := range v {
				walk(at, member, true)
			}
		default:
			if !slices.Contains(names, at) {
				t.Errorf("%s is in JSON but has no column", at)
			}
			if listed {
				inList[at] = true
				want[at] += leaf(v) + "|"
			} else {
				want[at] = leaf(v)
			}
		}
	}
	walk("", item, false)
	for i, name := range names {
		cell := cells[i]
		if _, number := new(big.Rat).SetString(cell); !number && strings.IndexAny(cell, "=+-@\t\r\n＝＋－＠") == 0 {
			t.Errorf("%s: %q would be run as a formula", name, cell)
		}
		cell = strings.TrimPrefix(cell, "'")
		if inList[name] || strings.Trim(cell, "|") == "" { // one entry for each member of the list, empty where it has none
			kept := ""
			for _, part := range strings.Split(cell, "|") {
				if part != "" {
					kept += part + "|"
				}
			}
			cell = kept
		}
		// encoding/csv reads a CRLF within quotes as LF.
		if want := strings.ReplaceAll(want[name], "\r\n", "\n"); cell != want && !within(t, item, name, cells[i]) {
			t.Errorf("%s: CSV has %q, JSON %q", name, cell, want)
		}
	}
}

// within reports whether cell is the JSON of what stands at a path that leads
// through lists: lists within lists are told like that.
func within(t *testing.T, item any, name, cell string) bool {
	at := []any{item}
	for _, step := range strings.Split(name, ".") {
		var next []any
		for _, v := range at {
			if list, ok := v.([]any); ok {
				for _, member := range list {
					next = append(next, member.(map[string]any)[step])
				}
				continue
			}
			if object, ok := v.(map[string]any); ok {
				next = append(next, object[step])
			}
		}
		at = next
	}
	if len(at) == 1 && at[0] != nil && compact(t, at[0]) == cell {
		return true
	}
	return strings.HasPrefix(cell, "[") && compact(t, at) == cell
}

func composite(v any) bool {
	switch v.(type) {
	case map[string]any, []any:
		return true
	}
	return false
}

func leaf(v any) string {
	if v == nil {
		return ""
	}
	return fmt.Sprint(v)
}

func compact(t *testing.T, v any) string {
	t.Helper()
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(out.String())
}

func TestEveryListRefusesWhatItIsNot(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range asCSV(t) {
		path := w.furnishedAt(op)
		refused := w.do("GET", path, w.officer, nil, header{"Accept", "text/html, image/*"}).want(406).wantProblem("not-acceptable")
		if refused.header.Get("Vary") != "Origin, Accept" || refused.header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %v", op, refused.header)
		}
		w.do("GET", path, "", nil, header{"Accept", "text/html"}).want(401) // who asks comes first
		ask := httptest.NewRequest("HEAD", path, nil)
		ask.Header.Set("Authorization", "Bearer "+w.officer)
		ask.Header.Set("Accept", "text/csv")
		head := httptest.NewRecorder()
		w.handler.ServeHTTP(head, ask)
		if head.Code != 200 || head.Header().Get("Content-Type") != csvMedia || head.Body.Len() > 0 {
			t.Errorf("%s: HEAD %d %v %q", op, head.Code, head.Header(), head.Body)
		}
	}
	// Where there is one representation, it is sent whatever is accepted.
	w.do("GET", w.at("garages/south"), w.officer, nil, header{"Accept", "text/csv"}).want(200)
}

func TestPagesOfCSVGoOnByLink(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	var got []string
	next := w.at("vehicles/tourer/joints?limit=1&units=thou")
	for range 10 {
		r := w.do("GET", next, w.officer, nil, header{"Accept", "text/csv"}).want(200)
		rows, err := csv.NewReader(bytes.NewReader(r.body)).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%v %q", err, r.body)
		}
		got = append(got, rows[1][slices.Index(rows[0], "position")])
		if unit := rows[1][slices.Index(rows[0], "target.clearance_min.unit")]; unit != "thou" {
			t.Errorf("unit %q on a further page", unit)
		}
		link := r.header.Get("Link")
		if link == "" {
			break
		}
		address, _, _ := strings.Cut(strings.TrimPrefix(link, "<"), ">")
		if _, err := url.Parse(address); err != nil || !strings.HasSuffix(link, `>; rel="next"`) {
			t.Fatalf("Link %q", link)
		}
		next = address
	}
	want := slices.Sorted(slices.Values(fourHinges))
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A cell that holds a formula's beginning is what the contract says it is.
func TestHostileTextsInCSVAreHarmless(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	body := string(w.do("GET", w.at("garages"), w.officer, nil, header{"Accept", "text/csv"}).want(200).body)
	for _, want := range []string{`,"'=HYPERLINK(""x"")",`, "\"1, Lane \"\"end\"\"\r\n2nd floor\""} {
		if !strings.Contains(body, want) {
			t.Errorf("no %s in\n%s", want, body)
		}
	}
}
