package api_test

import (
	"bufio"
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"pinwright/internal/localpg"
	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// kills is how often a server is killed: a few times in every run, often in the
// long ones.
func kills(short, long int) int {
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		return long
	}
	return short
}

// PostgreSQL is killed under load, as a power cut would, and started again. The
// service goes on by itself; in between it asks to come back later.
func TestNothingAcknowledgedIsLostWhenPostgresIsKilled(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("", "pinwright-killed-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o711); err != nil { // PostgreSQL's own user passes through
		t.Fatal(err)
	}
	open := func() *localpg.Cluster {
		c, err := localpg.Open(t.Context(), localpg.Options{Dir: filepath.Join(dir, "kept"), Settings: map[string]string{"max_connections": "50", "shared_buffers": "64MB"}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Stop() })
		return c
	}
	cluster := open()
	if err := schema.Install(t.Context(), cluster.AdminURL(), "pinwright", schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	if err := schema.Up(t.Context(), cluster.URL(schema.Owner, "pinwright", nil), migrations.Files); err != nil {
		t.Fatal(err)
	}
	w := layWay(t, dialer(t, cluster.AdminURL()))
	db := &pgtest.DB{Name: "pinwright", AppURL: cluster.URL(schema.App, "pinwright", schema.AppSettings())}
	// The owner's connections must survive the kills too, so they go the same way.
	db.Owner = w.pool(t, cluster.URL(schema.Owner, "pinwright", nil))
	k, crowd := crowded(t, db, w)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); crowd.Run(ctx, 8) }()
	recovers(t, crowd, "the start")
	n := kills(3, 30)
	for range n {
		killPostmaster(t, filepath.Join(dir, "kept"))
		<-cluster.Done()
		_ = cluster.Stop() // gives up the folder; its server is gone
		time.Sleep(100 * time.Millisecond)
		cluster = open()
		w.mu.Lock()
		w.dial = dialer(t, cluster.AdminURL())
		w.mu.Unlock()
		recovers(t, crowd, "a kill of PostgreSQL")
	}
	stop()
	<-done
	t.Logf("%d kills: %v", n, crowd)
	db.Owner.Reset()
	if err := crowd.Compare(t.Context(), db.Owner, k.club.ClubID); err != nil {
		t.Error(err)
	}
}

// killPostmaster kills the server that works on a folder below dir, and it
// alone: its children notice by themselves.
func killPostmaster(t *testing.T, dir string) {
	t.Helper()
	var found string
	_ = filepath.WalkDir(dir, func(path string, _ os.DirEntry, _ error) error { // what cannot be read is not it
		if filepath.Base(path) == "postmaster.pid" {
			found = path
		}
		return nil
	})
	f, err := os.Open(found)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // only read
	lines := bufio.NewScanner(f)
	lines.Scan()
	pid, err := strconv.Atoi(strings.TrimSpace(lines.Text()))
	if err != nil || pid < 2 {
		t.Fatalf("%s names no process: %q", found, lines.Text())
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
}
