package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"regexp"
	"strings"
	"testing"
)

// The page holds a code and then a token: it runs its one script, asks this
// service only, and nothing else may run, load or be sent.
func TestThePairingPageRunsItsOwnScriptOnly(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.fetch("GET", "/pair").want(200)
	page := string(r.body)
	scripts := regexp.MustCompile(`(?s)<script[^>]*>(.*?)</script>`).FindAllStringSubmatch(page, -1)
	if len(scripts) != 1 || !strings.HasPrefix(scripts[0][0], "<script>") {
		t.Fatalf("%d scripts", len(scripts))
	}
	sum := sha256.Sum256([]byte(scripts[0][1]))
	want := "default-src 'none'; style-src 'self'; script-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	if got := r.header.Get("Content-Security-Policy"); got != want {
		t.Errorf("policy\n%s\nwant\n%s", got, want)
	}
	if r.header.Get("Referrer-Policy") != "no-referrer" || r.header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("%v", r.header)
	}
	if m := regexp.MustCompile(`(?i)<style|\sstyle\s*=|\son[a-z]+\s*=|javascript:|https?:|\seval\(|innerHTML|document\.write`).FindString(page); m != "" {
		t.Errorf("the page has %q", m)
	}
	for _, m := range regexp.MustCompile(`\bat\("([a-z]+)"\)`).FindAllStringSubmatch(scripts[0][1], -1) {
		if !strings.Contains(page, ` id="`+m[1]+`"`) {
			t.Errorf("the script looks for #%s, which is not on the page", m[1])
		}
	}
	if !strings.Contains(page, `name="viewport" content="width=device-width`) || !strings.Contains(page, `class="big" id="pair"`) || !strings.Contains(page, "<noscript>") {
		t.Error("the page is not made for a phone")
	}
}
