package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// lineWriter hands over the first line written to it.
type lineWriter struct {
	bytes.Buffer
	line chan string
}

func (w *lineWriter) Write(p []byte) (int, error) {
	n, err := w.Buffer.Write(p)
	if text, _, ok := strings.Cut(w.String(), "\n"); ok && w.line != nil {
		w.line <- text
		close(w.line)
		w.line = nil
	}
	return n, err
}

// TestDemoDoesTheMainJobAndKeepsItsData starts the demo twice on one folder:
// the first loads the club and does the job, the second finds it and serves on
// with new tokens while the first start's are refused.
func TestDemoDoesTheMainJobAndKeepsItsData(t *testing.T) {
	environ := []string{"PINWRIGHT_DATA_DIR=" + demoDir(t)}
	code, story, errs := call(t, environ, "demo", "-once", "-addr", "127.0.0.1:0")
	if code != exitOK {
		t.Fatalf("exit %d\n%s\n%s", code, story, errs)
	}
	for _, want := range []string{"26 new, 1 known already and counted once", "passes", "cleans up at", "All three preferences", "What would make it surer", "Cautions", "Reserved: R-1", ": 409.", "What it needs is ordered", "R1/plans/1", "The finish hangs on"} {
		if !strings.Contains(story, want) {
			t.Errorf("the story lacks %q:\n%s", want, story)
		}
	}
	first := serveDemo(t, environ, func(ready map[string]any) {})
	serveDemo(t, environ, func(ready map[string]any) {
		for name, want := range map[string]int{first: http.StatusUnauthorized, memberOf(ready): http.StatusOK} {
			r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, ready["base_url"].(string)+"/v1/clubs/"+ready["club"].(string)+"/me", nil)
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("Authorization", "Bearer "+name)
			answer, err := http.DefaultClient.Do(r)
			if err != nil {
				t.Fatal(err)
			}
			_ = answer.Body.Close() // nothing of it is read
			if answer.StatusCode != want {
				t.Errorf("a token of the start before or of this one is answered %d, want %d", answer.StatusCode, want)
			}
		}
		if joints, _ := ready["joints"].([]any); len(joints) != 4 || ready["vehicle"] != "wrenfield" || ready["pin_series"] != "hinge-9" {
			t.Errorf("ready line %v", ready)
		}
	})
}

func memberOf(ready map[string]any) string {
	return ready["tokens"].(map[string]any)["member"].(string)
}

// serveDemo runs the demo until it is ready, calls while with its ready line,
// stops it as Ctrl-C does, and returns the member's token.
func serveDemo(t *testing.T, environ []string, while func(ready map[string]any)) string {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	out, errs := &lineWriter{line: make(chan string, 1)}, &bytes.Buffer{}
	line, done := out.line, make(chan int, 1)
	go func() { done <- run(ctx, []string{"demo", "-json", "-addr", "127.0.0.1:0"}, environ, out, errs) }()
	var ready map[string]any
	select {
	case text := <-line:
		if err := json.Unmarshal([]byte(text), &ready); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
	case code := <-done:
		t.Fatalf("the demo ended with %d: %s", code, errs)
	case <-time.After(2 * time.Minute):
		t.Fatal("the demo was not ready within two minutes")
	}
	while(ready)
	stop()
	if code := <-done; code != exitOK {
		t.Errorf("the demo stopped with %d: %s", code, errs)
	}
	return memberOf(ready)
}

// demoDir is a folder that PostgreSQL's own user can reach; those of t.TempDir
// are closed to it when root runs the tests.
func demoDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "pinwright-demo-test-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return filepath.Join(dir, "cluster")
}
