package api

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html/template"
	"strings"
)

// pairView is the page that a phone opens by a pairing's QR code. It runs one
// script of its own, named by its hash (CSP Level 3, 2.3.1) and no other, and may ask
// this service only: the page holds a token when it is done.
func pairView() (pageView, error) {
	script, err := pageFiles.ReadFile("pages/pair.js")
	if err != nil {
		return pageView{}, fmt.Errorf("pages: %w", err)
	}
	sum := sha256.Sum256(script)
	policy := strings.NewReplacer(
		"script-src 'self'", "script-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'; connect-src 'self'",
	).Replace(contentPolicy)
	return pageView{template: "pair.html", policy: policy, Title: "Pair this phone", Here: "pair",
		body: func() (any, error) { return template.HTML("<script>" + string(script) + "</script>"), nil }}, nil //nolint:gosec // the script is a file of this program
}
