package api_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
)

func TestAContentIsComparedAndNothingIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	made := w.recordAs("R1", "application/json").want(200)
	content := string(section(t, made))
	var spelt bytes.Buffer
	if err := json.Indent(&spelt, []byte(content), "", "    "); err != nil {
		t.Fatal(err)
	}
	ask := func(hash, content string) *response {
		return w.do("POST", "/v1/records/"+hash, "", row{"content": content}).want(200)
	}
	for _, text := range []string{content, spelt.String()} {
		if got := ask(made.str("hash"), text); got.get("matches") != true {
			t.Errorf("the content itself: %s", got.body)
		}
	}
	// Another content, another hash, a content that fits a hash which no record has: all the same answer.
	other := strings.Replace(content, `"rounds":0`, `"rounds":1`, 1)
	if other == content {
		t.Fatal("nothing was changed")
	}
	none := ask(made.str("hash"), other)
	const empty = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a" // SHA-256 of {}
	for _, got := range []*response{ask(strings.Repeat("0", 64), content), ask(empty, "{}"), ask(made.str("hash"), "no JSON")} {
		if got.get("matches") != false || string(got.body) != string(none.body) {
			t.Errorf("answered %s, and of another content %s", got.body, none.body)
		}
	}
	w.do("POST", "/v1/records/"+made.str("hash"), "", row{"content": content, "club": "hollow-lane"}).want(422)
	w.do("POST", "/v1/records/"+strings.Repeat("0", 63), "", row{"content": content}).want(422)
}
