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

// killable is a PostgreSQL of a test's own that can be killed, as a power cut would,
// and started again.
type killable struct {
	*way
	db      *pgtest.DB // its owner's connections go the same way, to survive the kills
	dir     string
	cluster *localpg.Cluster
}

func newKillable(t *testing.T) *killable {
	t.Helper()
	dir, err := os.MkdirTemp("", "pinwright-killed-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o711); err != nil { // PostgreSQL's own user passes through
		t.Fatal(err)
	}
	k := &killable{dir: filepath.Join(dir, "kept")}
	k.open(t)
	if err := schema.Install(t.Context(), k.cluster.AdminURL(), "pinwright", schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	if err := schema.Up(t.Context(), k.cluster.URL(schema.Owner, "pinwright", nil), migrations.Files); err != nil {
		t.Fatal(err)
	}
	k.way = layWay(t, dialer(t, k.cluster.AdminURL()))
	k.db = &pgtest.DB{Name: "pinwright", AppURL: k.cluster.URL(schema.App, "pinwright", schema.AppSettings())}
	k.db.Owner = k.pool(t, k.cluster.URL(schema.Owner, "pinwright", nil))
	return k
}

func (k *killable) open(t *testing.T) {
	t.Helper()
	var err error
	if k.cluster, err = localpg.Open(t.Context(), localpg.Options{Dir: k.dir, Settings: map[string]string{"max_connections": "50", "shared_buffers": "64MB"}}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = k.cluster.Stop() })
}

// killAndStart leaves a moment between both.
func (k *killable) killAndStart(t *testing.T) {
	t.Helper()
	killPostmaster(t, k.dir)
	<-k.cluster.Done()
	_ = k.cluster.Stop() // gives up the folder; its server is gone
	time.Sleep(100 * time.Millisecond)
	k.open(t)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.dial = dialer(t, k.cluster.AdminURL())
}

// PostgreSQL is killed under load and started again. The service goes on by itself;
// in between it asks to come back later.
func TestNothingAcknowledgedIsLostWhenPostgresIsKilled(t *testing.T) {
	t.Parallel()
	server := newKillable(t)
	k, crowd := crowded(t, server.db, server.way)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); crowd.Run(ctx, 8) }()
	recovers(t, crowd, "the start")
	n := kills(3, 30)
	for range n {
		server.killAndStart(t)
		recovers(t, crowd, "a kill of PostgreSQL")
	}
	stop()
	<-done
	t.Logf("%d kills: %v", n, crowd)
	server.db.Owner.Reset()
	if err := crowd.Compare(t.Context(), server.db.Owner, k.club.ClubID); err != nil {
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
