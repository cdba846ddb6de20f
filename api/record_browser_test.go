package api_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// browser is Debian's chromium, which .ci/run installs; without it the test that
// asks for it is left out and says so.
func browser(t *testing.T) func(args ...string) (log string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("LEFT OUT: there is no chromium here (apt-get install chromium), so nothing was looked at in a browser")
	}
	home := t.TempDir()
	return func(args ...string) string {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		defer cancel()
		cmd := exec.CommandContext(ctx, path, append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--hide-scrollbars",
			"--user-data-dir=" + filepath.Join(home, "profile"), "--enable-logging=stderr", "--v=0"}, args...)...)
		cmd.Env = append(os.Environ(), "HOME="+home)
		var log bytes.Buffer
		cmd.Stdout, cmd.Stderr = &log, &log
		if err := cmd.Run(); err != nil {
			t.Fatalf("chromium %v: %v\n%s", args, err, log.String())
		}
		return log.String()
	}
}

var mediaBox = regexp.MustCompile(`/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]`)

// A4 is 210 mm × 297 mm (ISO 216), letter 8.5 in × 11 in; a point of PDF is 1/72 in
// (ISO 32000-1, 8.3.2.3).
func TestRecordIsPrintedByABrowserOnBothPapersWithoutLoadingAnything(t *testing.T) {
	t.Parallel()
	run := browser(t)
	w := newWorld(t)
	wagon(w, "upper", "lower")
	micrometer(w)
	short(w)
	repairOf(w, "short", "upper").want(201)
	sized(w, "upper", "8.121 mm", "8.093 mm", "8.11 mm", "8.102 mm")
	leftOut(w, "R1")
	w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200)
	var asked []string
	for paper, want := range map[string][2]float64{"a4": {210 / 25.4 * 72, 297 / 25.4 * 72}, "letter": {612, 792}} {
		page := w.do("GET", w.at("repairs/R1/record?page="+paper), w.as("auditor"), nil, header{"Accept", "text/html"}).want(200)
		served := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
			asked = append(asked, r.URL.Path)
			for _, name := range []string{"Content-Type", "Content-Security-Policy"} {
				out.Header().Set(name, page.header.Get(name))
			}
			_, _ = out.Write(page.body) // a test's
		}))
		defer served.Close()
		file := filepath.Join(t.TempDir(), "record.pdf")
		log := run("--no-pdf-header-footer", "--print-to-pdf="+file, served.URL+"/record")
		if strings.Contains(log, "Refused to") || strings.Contains(log, "violates the following Content Security Policy") {
			t.Errorf("on %s its own policy refuses something of it:\n%s", paper, log)
		}
		pdf, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		boxes := mediaBox.FindAllSubmatch(pdf, -1)
		if len(boxes) < 1 || len(boxes) > 6 {
			t.Errorf("on %s it has %d pages", paper, len(boxes))
		}
		for _, box := range boxes {
			for i, side := range want {
				if got, err := strconv.ParseFloat(string(box[i+1]), 64); err != nil || got < side-1.5 || got > side+1.5 {
					t.Errorf("a page on %s is %s × %s points", paper, box[1], box[2])
				}
			}
		}
		// The same without the policy's permission: a browser that is as strict as is said here says so.
		strict := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, _ *http.Request) {
			out.Header().Set("Content-Type", page.header.Get("Content-Type"))
			out.Header().Set("Content-Security-Policy", "default-src 'none'")
			_, _ = out.Write(page.body)
		}))
		defer strict.Close()
		if log := run("--print-to-pdf="+filepath.Join(t.TempDir(), "strict.pdf"), strict.URL+"/record"); !strings.Contains(log, "Content Security Policy") {
			t.Errorf("chromium tells of no refusal under a policy that refuses its style, so this test proves nothing:\n%s", log)
		}
		if shots := os.Getenv("PINWRIGHT_SHOTS"); shots != "" { // to look at
			run("--window-size=390,3000", "--screenshot="+filepath.Join(shots, "record-phone-"+paper+".png"), served.URL+"/record")
			run("--window-size=900,1600", "--screenshot="+filepath.Join(shots, "record-"+paper+".png"), served.URL+"/record")
		}
	}
	for _, path := range asked {
		if path != "/record" && path != "/favicon.ico" {
			t.Errorf("the page makes a browser ask for %s", path)
		}
	}
	t.Log(fmt.Sprint(len(asked), " requests"))
}
