package main

import (
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"syscall"
	"testing"
	"time"

	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

func TestHealthTellsByItsExitCodeAndSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	p := start(t, db, "PINWRIGHT_DRAIN_DELAY=60s")
	_, port, err := net.SplitHostPort(p.address)
	if err != nil {
		t.Fatal(err)
	}
	ask := func(want int, inWords string, args ...string) {
		t.Helper()
		// As in a container: it serves on every address and has a proxy, which is not to be asked.
		environ := []string{"PINWRIGHT_ADDR=0.0.0.0:" + port, "HTTP_PROXY=http://127.0.0.1:1"}
		code, stdout, stderr := call(t, environ, append([]string{"health"}, args...)...)
		if code != want || !strings.Contains(stderr, inWords) || stdout != "" || (want == exitOK && stderr != "") {
			t.Errorf("health %v: exit %d, %q, %q; want %d and %q", args, code, stdout, stderr, want, inWords)
		}
	}
	ask(exitOK, "")
	ask(exitOK, "", "-live")

	if err := schema.Down(t.Context(), db.OwnerURL, migrations.Files, 1); err != nil {
		t.Fatal(err)
	}
	ask(exitFailed, "503 Service Unavailable: schema: the database stands at migration")
	ask(exitFailed, "503 Service Unavailable", "-wait", "1ms")
	ask(exitOK, "", "-live")
	mended := make(chan error, 1)
	go func() {
		time.Sleep(300 * time.Millisecond) // long enough that it was asked once in vain
		mended <- schema.Up(t.Context(), db.OwnerURL, migrations.Files)
	}()
	ask(exitOK, "", "-wait", "1m")
	if err := <-mended; err != nil {
		t.Fatal(err)
	}

	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "readiness to fail", func() bool { return p.status(t, "/readyz") == 503 })
	ask(exitFailed, "shutdown: the service is shutting down")
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the listener to close", func() bool { return p.status(t, "/healthz") == 0 })
	ask(exitFailed, "connection refused")
	ask(exitFailed, "connection refused", "-live")
}

func TestHealthOfSomethingElse(t *testing.T) {
	t.Parallel()
	released := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/healthz" {
			<-released
		}
		w.WriteHeader(http.StatusTeapot)
	}))
	defer s.Close()
	defer close(released)
	at := "PINWRIGHT_ADDR=" + s.Listener.Addr().String()
	for _, tc := range []struct {
		name, addr string
		args       []string
		code       int
		want       string
	}{
		{"another server", at, nil, exitFailed, "418"},
		{"a server that does not answer", at, []string{"-live"}, exitFailed, "deadline exceeded"},
		{"no port", "PINWRIGHT_ADDR=127.0.0.1:0", nil, exitUsage, "names no port"},
		{"an argument", at, []string{"now"}, exitUsage, "takes flags only"},
		{"time that is past", at, []string{"-wait", "-1s"}, exitUsage, "a time from 0"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, _, stderr := call(t, []string{tc.addr}, append([]string{"health"}, tc.args...)...)
			if code != tc.code || !strings.Contains(stderr, tc.want) {
				t.Errorf("exit %d, %q; want %d and %q", code, stderr, tc.code, tc.want)
			}
		})
	}
}

func TestHealthOfBackups(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	full, empty := t.TempDir(), t.TempDir()
	if code, _, stderr := call(t, []string{"PINWRIGHT_BACKUP_URL=" + db.BackupURL}, "backup", "-dir", full); code != exitOK {
		t.Fatal(stderr)
	}
	for _, tc := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"of a moment ago", []string{"-backups", full}, exitOK, ""},
		{"older than wanted", []string{"-backups", full, "-within", "-1h"}, exitFailed, "old, more than -1h"},
		{"none", []string{"-backups", empty}, exitFailed, "holds no backup"},
		{"no folder", []string{"-backups", empty + "/not"}, exitFailed, "no such file"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, stdout, stderr := call(t, nil, append([]string{"health"}, tc.args...)...)
			if code != tc.code || !strings.Contains(stderr, tc.want) || stdout != "" || (tc.want == "" && stderr != "") {
				t.Errorf("exit %d, %q, %q; want %d and %q", code, stdout, stderr, tc.code, tc.want)
			}
		})
	}
}
