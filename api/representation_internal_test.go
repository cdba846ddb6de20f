package api

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/sheet"
)

// RFC 9110, 12.5.1: the example's Accept and its table of quality values. Its last
// row is left to erratum 7138: text/html;level=3 is matched by text/* only.
func TestQualityIsThatOfTheClosestRange(t *testing.T) {
	t.Parallel()
	accept := acceptOf("text/*;q=0.3, text/plain;q=0.7, text/plain;format=flowed,\t text/plain;format=fixed;q=0.4, */*;q=0.5")
	for media, want := range map[string]float64{
		"text/plain;format=flowed": 1, "text/plain": 0.7, "text/html": 0.3, "image/jpeg": 0.5, "text/plain;format=fixed": 0.4, "text/html;level=3": 0.3,
	} {
		if got := quality(accept, media); got != want {
			t.Errorf("%s: %v, want %v", media, got, want)
		}
	}
	// The other example of that clause: audio/basic first, else any audio at 0.2 or more.
	accept = acceptOf("audio/*; q=0.2, audio/basic")
	if basic, other, none := quality(accept, "audio/basic"), quality(accept, "audio/ogg"), quality(accept, "text/plain"); basic != 1 || other != 0.2 || none != 0 {
		t.Errorf("%v %v %v", basic, other, none)
	}
}

func TestNegotiation(t *testing.T) {
	t.Parallel()
	list, single := &operation{columns: []string{"id"}}, &operation{}
	for accept, want := range map[string]string{
		"":                                     jsonType,
		"*/*":                                  jsonType,
		"application/json":                     jsonType,
		"application/*":                        jsonType,
		"text/csv":                             csvList,
		"TEXT/CSV":                             csvList,
		"text/*":                               csvList,
		"text/csv; charset=UTF-8":              csvList,
		"text/csv; header=present":             csvList,
		`text/csv; header="present"; q=0.5`:    csvList,
		"text/csv, application/json":           jsonType, // as much wanted: what a program can use best
		"text/csv;q=0.9, application/json;q=1": jsonType,
		"application/json;q=0.5, text/csv":     csvList,
		"text/csv;q=0, */*":                    jsonType,
		"application/json;q=0, */*;q=0.1":      csvList,
		"text/html, text/csv;q=0.001":          csvList,
		"text/csv; header=absent, */*;q=0.1":   jsonType,
		`text/html; t="a, text/csv", */*;q=.2`: jsonType, // one range, not two
		"text/csv;q=2, application/json;q=0.1": jsonType, // no weight beyond 1: left out
		"/, text, ;, */csv":                    jsonType, // nothing that can be read
		"text/html":                            "",
		"text/csv; header=absent":              "",
		"text/csv; charset=iso-8859-1":         "",
		"*/*;q=0":                              "",
		"application/json;q=0, text/csv;q=0.0": "",
	} {
		got, err := list.negotiate([]string{accept})
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q %v, want %q", accept, got, err, want)
		}
		if got, err := single.negotiate([]string{accept}); got != jsonType || err != nil {
			t.Errorf("%q, where there is nothing to choose: %q %v", accept, got, err)
		}
	}
	if got, err := list.negotiate([]string{"text/html", "text/csv"}); got != csvList || err != nil {
		t.Errorf("two header lines are one list (RFC 9110, 5.3): %q %v", got, err)
	}
}

// What RFC 4180, 2 says of lines and quotes, on bytes.
func TestCSVOnBytes(t *testing.T) {
	t.Parallel()
	body := `{"items": [
		{"id": "a", "note": "plain", "size": {"value": 9.120, "unit": "mm"}, "roles": ["officer", "member"], "lines": [{"n": 1, "p": {"q": true}}, {"n": -2}], "free": {"z": 1}, "deep": [{"l": [{"x": 1}]}, {}]},
		{"id": "b", "note": "say \"ho, hum\"\r\nand\rgo\n", "size": {"value": -5, "unit": "um"}, "roles": [], "lines": []},
		{"id": "", "note": " spaced ", "roles": ["a|b", "c\\d"]}]}`
	got, err := csvOf([]string{"id", "note", "size.value", "size.unit", "roles", "lines.n", "lines.p.q", "free", "deep.l"}, []byte(body))
	if err != nil {
		t.Fatal(err)
	}
	want := "id,note,size.value,size.unit,roles,lines.n,lines.p.q,free,deep.l\r\n" +
		"a,plain,9.120,mm,officer|member,1|-2,true|,\"{\"\"z\"\":1}\",\"[[{\"\"x\"\":1}],null]\"\r\n" +
		"b,\"say \"\"ho, hum\"\"\r\nand\rgo\n\",-5,um,,,,,\r\n" +
		",\" spaced \",,,a\\|b|c\\\\d,,,,\r\n"
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	none, err := csvOf([]string{"id", "note"}, []byte(`{"items":[]}`))
	if err != nil || string(none) != "id,note\r\n" {
		t.Errorf("an empty list is its header row: %q %v", none, err)
	}
}

// The characters are those of OWASP's page “CSV Injection” (its table's inputs are
// the first two here), and the full-width forms of the four signs.
func TestTextsThatASpreadsheetWouldRunAreHarmless(t *testing.T) {
	t.Parallel()
	for _, text := range []string{`=1+2";=1+2`, `=1+2'" ;,=1+2`, "=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1", "＋1", "－1", "＠1", "=", "'=1", "''@1"} {
		body, err := json.Marshal(map[string]any{"items": []any{map[string]any{"note": text, "list": []any{text, "x"}}}})
		if err != nil {
			t.Fatal(err)
		}
		out, err := csvOf([]string{"note", "list"}, body)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(bytes.NewReader(out)).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%q: %v %q", text, err, out)
		}
		for _, cell := range rows[1] {
			if !strings.HasPrefix(cell, "'") {
				t.Errorf("%q became %q", text, cell)
			}
		}
		// One apostrophe off gives the text back; encoding/csv reads a CRLF within quotes as LF.
		if rows[1][0] != "'"+text {
			t.Errorf("%q became %q", text, rows[1][0])
		}
	}
	// What went out as CSV comes in as a sheet as it was, but for the space around it.
	for _, text := range []string{"=1+2", "'=1", "''@1", "＝1", "-5", "'57 tourer", "a\"b,c;d", "plain"} {
		body, err := json.Marshal(map[string]any{"items": []any{map[string]any{"name": text, "number": "1"}}})
		if err != nil {
			t.Fatal(err)
		}
		out, err := csvOf([]string{"name", "number"}, body)
		if err != nil {
			t.Fatal(err)
		}
		read, err := sheet.Read(out)
		if err != nil || len(read.Rows) != 1 || read.Rows[0].Cells[0] != text {
			t.Errorf("%q went out as %q and came in as %+v %v", text, out, read, err)
		}
	}
	for _, text := range []string{"", "'", "'57 tourer", "R-1", "a=b", " =1", "9.12 mm", "½"} {
		if got := harmless(text); got != text {
			t.Errorf("%q became %q", text, got)
		}
	}
	out, err := csvOf([]string{"n"}, []byte(`{"items":[{"n":-5},{"n":-0.25e-3}]}`))
	if err != nil || string(out) != "n\r\n-5\r\n-0.25e-3\r\n" {
		t.Errorf("numbers stay numbers: %q %v", out, err)
	}
}

// RFC 7396, appendix A, all of its test cases.
func TestMergePatchAsInAppendixA(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ original, patch, result string }{
		{`{"a":"b"}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"b"}`, `{"b":"c"}`, `{"a":"b","b":"c"}`},
		{`{"a":"b"}`, `{"a":null}`, `{}`},
		{`{"a":"b","b":"c"}`, `{"a":null}`, `{"b":"c"}`},
		{`{"a":["b"]}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"c"}`, `{"a":["b"]}`, `{"a":["b"]}`},
		{`{"a":{"b":"c"}}`, `{"a":{"b":"d","c":null}}`, `{"a":{"b":"d"}}`},
		{`{"a":[{"b":"c"}]}`, `{"a":[1]}`, `{"a":[1]}`},
		{`["a","b"]`, `["c","d"]`, `["c","d"]`},
		{`{"a":"b"}`, `["c"]`, `["c"]`},
		{`{"a":"foo"}`, `null`, `null`},
		{`{"a":"foo"}`, `"bar"`, `"bar"`},
		{`{"e":null}`, `{"a":1}`, `{"e":null,"a":1}`},
		{`[1,2]`, `{"a":"b","c":null}`, `{"a":"b"}`},
		{`{}`, `{"a":{"bb":{"ccc":null}}}`, `{"a":{"bb":{}}}`},
	} {
		var original, patch, want any
		for _, x := range []struct {
			text string
			into *any
		}{{row.original, &original}, {row.patch, &patch}, {row.result, &want}} {
			if err := json.Unmarshal([]byte(x.text), x.into); err != nil {
				t.Fatal(err)
			}
		}
		if diff := cmp.Diff(want, mergePatch(original, patch)); diff != "" {
			t.Errorf("%s with %s (-RFC +got):\n%s", row.original, row.patch, diff)
		}
	}
}
