//go:build unix

package localpg

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
)

// childFolder, when set, makes this test binary a process that opens a cluster
// (kept in the folder named, throw-away for "-"), says so and waits to be killed.
const childFolder = "LOCALPG_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir, ok := os.LookupEnv(childFolder); ok {
		beChild(dir)
	}
	os.Exit(m.Run())
}

func beChild(dir string) {
	o := Options{}
	if dir != "-" {
		o.Dir = dir
	}
	c, err := Open(context.Background(), o)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println(filepath.Dir(c.LogPath()))
	fmt.Println(c.AdminURL())
	_, _ = io.Copy(io.Discard, os.Stdin) // ends only if the test's process dies first
	os.Exit(0)
}

// startChild runs a process with a cluster; home is the cluster's folder.
func startChild(t *testing.T, dir string) (child *exec.Cmd, home, adminURL string) {
	t.Helper()
	child = exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childFolder+"="+dir)
	child.Stderr = os.Stderr
	in, err := child.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		_ = child.Wait() // it was killed, or ends with its input
	})
	r := bufio.NewReader(out)
	line := func() string {
		text, err := r.ReadString('\n')
		if err != nil {
			t.Fatalf("the child ended before its cluster was open: %v", err)
		}
		return strings.TrimSpace(text)
	}
	return child, line(), line()
}

func open(t *testing.T, o Options) *Cluster {
	t.Helper()
	c, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	return c
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func execute(t *testing.T, url, sql string) {
	t.Helper()
	conn := connect(t, url)
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
	if err := conn.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// reachableDir is a folder that the server's own user can enter, which the
// folders of t.TempDir are not when root runs the tests.
func reachableDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "localpg-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

func eventually(t *testing.T, what string, f func() bool) {
	t.Helper()
	for deadline := time.Now().Add(60 * time.Second); !f(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

func gone(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, os.ErrNotExist)
}

// serverPID is the server's process while it runs.
func serverPID(t *testing.T, home string) int {
	t.Helper()
	pid := readPID(filepath.Join(home, dataName, "postmaster.pid"))
	if pids, _ := serversOf(filepath.Join(home, dataName)); !slices.Contains(pids, pid) {
		t.Fatalf("no server runs in %s", home)
	}
	return pid
}

func processGone(pid int) bool {
	if err := syscall.Kill(pid, 0); errors.Is(err, syscall.ESRCH) {
		return true
	}
	// A dead process may wait for its new parent to notice.
	status, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	return err == nil && strings.Contains(string(status), ") Z ")
}

func TestThrowAwayClusterIsPrivateAndLeavesNothing(t *testing.T) {
	t.Parallel()
	c := open(t, Options{Settings: map[string]string{"max_connections": "33"}})
	home := filepath.Dir(c.LogPath())
	pid := serverPID(t, home)

	conn := connect(t, c.AdminURL())
	var got [7]string
	if err := conn.QueryRow(t.Context(), `SELECT current_setting('listen_addresses'), current_setting('server_encoding'),
		(SELECT datcollate FROM pg_database WHERE datname = 'postgres'), current_setting('fsync'),
		current_setting('max_connections'), current_setting('TimeZone'), current_user`).
		Scan(&got[0], &got[1], &got[2], &got[3], &got[4], &got[5], &got[6]); err != nil {
		t.Fatal(err)
	}
	want := [7]string{"", "UTF8", "C", "off", "33", "UTC", "postgres"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("listen_addresses, encoding, collation, fsync, max_connections, time zone, user (-want +got):\n%s", diff)
	}
	info, err := os.Stat(home)
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o700 {
		t.Errorf("the cluster's folder is open to others: %v", info.Mode())
	}
	if uid := info.Sys().(*syscall.Stat_t).Uid; os.Geteuid() == 0 && uid == 0 {
		t.Error("root's cluster belongs to root")
	}
	if c.Step() != Installed && c.Step() != Fetched || !strings.Contains(c.How(), "throw-away") {
		t.Errorf("step %q, %q", c.Step(), c.How())
	}

	if err := errors.Join(c.Stop(), c.Stop()); err != nil {
		t.Fatal(err)
	}
	select {
	case <-c.Done():
	default:
		t.Error("Done is open after Stop")
	}
	if !gone(home) || !processGone(pid) {
		t.Errorf("left behind: folder %v, process %v", !gone(home), !processGone(pid))
	}
}

func TestKilledProcessLeavesNoThrowAwayCluster(t *testing.T) {
	t.Parallel()
	child, home, _ := startChild(t, "-")
	pid := serverPID(t, home)
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the server ends", func() bool { return processGone(pid) })
	eventually(t, "the folder goes", func() bool { return gone(home) })
}

func TestKilledProcessLeavesKeptDataButNoServer(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(reachableDir(t), "club")
	child, home, adminURL := startChild(t, dir)
	pid := serverPID(t, home)
	execute(t, adminURL, `CREATE TABLE kept AS SELECT 42 AS n`)
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	// At once, while the old server may still be shutting down.
	_ = child.Wait()
	c := open(t, Options{Dir: dir})
	var n int
	if err := connect(t, c.AdminURL()).QueryRow(t.Context(), `SELECT n FROM kept`).Scan(&n); err != nil || n != 42 {
		t.Errorf("read %d, %v; want the 42 written before the kill", n, err)
	}
	eventually(t, "the first server ends", func() bool { return processGone(pid) })
}

func TestFolderOfProcessKilledTogetherWithItsWardenIsSweptAtTheNextStart(t *testing.T) {
	t.Parallel()
	child, home, _ := startChild(t, "-")
	server := serverPID(t, home)
	for _, warden := range childrenOf(t, child.Process.Pid) {
		if warden != server {
			if err := syscall.Kill(warden, syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait()
	if gone(home) {
		t.Fatal("the folder went although nobody was left to remove it: the test does not test the sweep")
	}
	open(t, Options{})
	if !gone(home) || !processGone(server) {
		t.Errorf("left behind: folder %v, server %v", !gone(home), !processGone(server))
	}
}

// childrenOf lists child processes.
func childrenOf(t *testing.T, parent int) []int {
	t.Helper()
	out, err := exec.Command("ps", "-e", "-o", "pid=,ppid=").Output()
	if err != nil {
		t.Fatal(err)
	}
	var children []int
	for line := range strings.Lines(string(out)) {
		var pid, ppid int
		if _, err := fmt.Sscan(line, &pid, &ppid); err == nil && ppid == parent {
			children = append(children, pid)
		}
	}
	if len(children) < 2 {
		t.Fatalf("process %d has children %v; want a server and a warden", parent, children)
	}
	return children
}

func TestKeptClusterFindsItsDataAgainAndSyncsToDisk(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(reachableDir(t), "deep", "club")
	c := open(t, Options{Dir: dir})
	run := socketDir(t, c)
	execute(t, c.AdminURL(), `CREATE TABLE kept AS SELECT 7 AS n`)
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if !gone(run) {
		t.Errorf("the socket's folder %s is left", run)
	}
	c = open(t, Options{Dir: dir})
	if _, err := Open(t.Context(), Options{Dir: dir}); err == nil || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) {
		t.Errorf("a second start on a folder in use: %v, want a refusal that names the process", err)
	}
	var n int
	var fsync, commit string
	if err := connect(t, c.AdminURL()).QueryRow(t.Context(), `SELECT n, current_setting('fsync'), current_setting('synchronous_commit') FROM kept`).
		Scan(&n, &fsync, &commit); err != nil {
		t.Fatal(err)
	}
	if n != 7 || fsync != "on" || commit != "on" {
		t.Errorf("n = %d, fsync %s, synchronous_commit %s; want 7, on, on", n, fsync, commit)
	}
}

func socketDir(t *testing.T, c *Cluster) string {
	t.Helper()
	cfg, err := pgx.ParseConfig(c.AdminURL())
	if err != nil {
		t.Fatal(err)
	}
	return cfg.Host
}

func TestOnlyOneOfTwoStartsOnOneFolderSucceeds(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(reachableDir(t), "club")
	var clusters [2]*Cluster
	var errs [2]error
	var wg sync.WaitGroup
	for i := range clusters {
		wg.Go(func() { clusters[i], errs[i] = Open(t.Context(), Options{Dir: dir}) })
	}
	wg.Wait()
	won := 0
	for i, c := range clusters {
		if c != nil {
			won++
			if err := c.Stop(); err != nil {
				t.Error(err)
			}
			continue
		}
		if !strings.Contains(errs[i].Error(), "is in use") {
			t.Errorf("the refusal is not clear: %v", errs[i])
		}
	}
	if won != 1 {
		t.Errorf("%d of 2 starts succeeded: %v", won, errs)
	}
}

func TestTwoThrowAwayClustersStartAtOnceAndDoNotMeet(t *testing.T) {
	t.Parallel()
	var clusters [2]*Cluster
	var errs [2]error
	var wg sync.WaitGroup
	for i := range clusters {
		wg.Go(func() { clusters[i], errs[i] = Open(t.Context(), Options{}) })
	}
	wg.Wait()
	if err := errors.Join(errs[:]...); err != nil {
		t.Fatal(err)
	}
	execute(t, clusters[0].AdminURL(), `CREATE TABLE only_first (n int)`)
	execute(t, clusters[1].AdminURL(), `CREATE TABLE only_first (n int)`) // taken if they were one
	for _, c := range clusters {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	}
}

func TestKeptClusterStartsAfterItsServerWasKilled(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(reachableDir(t), "club")
	c := open(t, Options{Dir: dir})
	execute(t, c.AdminURL(), `CREATE TABLE kept AS SELECT 9 AS n`)
	busy := connect(t, c.AdminURL())
	asleep := make(chan error, 1)
	go func() { // a session that does not see at once that its server is gone
		_, err := busy.Exec(context.Background(), `SELECT pg_sleep(1), count(*) FROM generate_series(1, 3000000)`)
		asleep <- err
	}()
	if err := syscall.Kill(serverPID(t, dir), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	if err := c.Stop(); err != nil {
		t.Errorf("stop a server that is dead already: %v", err)
	}
	c = open(t, Options{Dir: dir})
	var n int
	if err := connect(t, c.AdminURL()).QueryRow(t.Context(), `SELECT n FROM kept`).Scan(&n); err != nil || n != 9 {
		t.Errorf("read %d, %v; want 9", n, err)
	}
	if err := <-asleep; err == nil {
		t.Error("a statement on the killed server ended well")
	}
}

func TestKeptClusterStartsWhenItsOldProcessNumberBelongsToAnotherProgram(t *testing.T) {
	t.Parallel()
	if _, complete := serversOf(t.TempDir()); !complete {
		t.Log("only Linux shows whether another process works in the folder; PostgreSQL judges alone here")
		return
	}
	dir := filepath.Join(reachableDir(t), "club")
	if err := open(t, Options{Dir: dir}).Stop(); err != nil {
		t.Fatal(err)
	}
	acct, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	// The server's user must own the program: PostgreSQL looks past others'.
	program, err := spawn(command(acct, "/", "/bin/sh", "-c", "exec sleep 300"), syscall.SIGKILL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = program.end([]patience{{syscall.SIGKILL, 10 * time.Second}}) })
	pidFile := filepath.Join(dir, dataName, "postmaster.pid")
	if err := os.WriteFile(pidFile, fmt.Appendf(nil, "%d\n", program.cmd.Process.Pid), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := acct.own(pidFile); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Dir: dir})
}

func TestCanceledOpenLeavesNothing(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(reachableDir(t), "club")
	for _, after := range []time.Duration{0, 150 * time.Millisecond, 600 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), after)
		c, err := Open(ctx, Options{Dir: dir})
		cancel()
		if err == nil { // a fast machine
			if err := c.Stop(); err != nil {
				t.Error(err)
			}
			continue
		}
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("after %v: %v, want the context's error", after, err)
		}
		if pids, _ := serversOf(filepath.Join(dir, dataName)); len(pids) > 0 {
			t.Errorf("after %v: processes %v are left", after, pids)
		}
	}
	open(t, Options{Dir: dir}) // what the canceled ones left half made does not hinder
}

func TestGivenServerIsUsedAndLeftAlone(t *testing.T) {
	t.Parallel()
	private := open(t, Options{})
	execute(t, private.AdminURL(), `CREATE ROLE reader NOLOGIN`)
	execute(t, private.AdminURL(), `CREATE DATABASE shelf`)
	keywords := fmt.Sprintf("host=%s port=%s user=postgres dbname=postgres", socketDir(t, private), socketPort)
	for _, adminURL := range []string{private.AdminURL(), keywords} {
		given := open(t, Options{URL: adminURL})
		if given.Step() != Given || given.Private() || !strings.Contains(given.How(), "PINWRIGHT_DATABASE_URL") {
			t.Errorf("step %q, private %v, %q", given.Step(), given.Private(), given.How())
		}
		var user, database, wait, login string
		conn := connect(t, given.URL("reader", "shelf", map[string]string{"statement_timeout": "9s"}))
		if err := conn.QueryRow(t.Context(), `SELECT current_user, current_database(), current_setting('statement_timeout'), session_user`).
			Scan(&user, &database, &wait, &login); err != nil {
			t.Fatal(err)
		}
		want := []string{"reader", "shelf", "9s", "postgres"}
		if diff := cmp.Diff(want, []string{user, database, wait, login}); diff != "" {
			t.Errorf("role, database, setting, login (-want +got):\n%s", diff)
		}
		if err := conn.Close(t.Context()); err != nil {
			t.Error(err)
		}
		if err := given.Stop(); err != nil {
			t.Error(err)
		}
		execute(t, given.DatabaseURL("shelf"), `SELECT 1`) // still answers after Stop
	}
}

func TestStopAndKeepLeavesTheFolderAndTheSweepPassesIt(t *testing.T) {
	t.Parallel()
	c := open(t, Options{})
	home := filepath.Dir(c.LogPath())
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	if err := c.StopAndKeep(); err != nil {
		t.Fatal(err)
	}
	acct, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	sweep(acct)
	if gone(filepath.Join(home, dataName, "PG_VERSION")) {
		t.Error("the kept folder was swept")
	}
}
