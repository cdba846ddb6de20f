//go:build unix

package localpg

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const (
	// runPrefix names the folders of running clusters, so that a sweep finds
	// those whose process was killed.
	runPrefix = "pinwright-pg-"

	lockName   = "lock"
	keepName   = "keep"
	dataName   = "data"
	logName    = "postgres.log"
	socketPort = "5432" // only part of the socket's name: nothing listens on a port

	// memoryFolder is where Linux has files in memory.
	memoryFolder = "/dev/shm"

	// halfMade is how long a folder without a lock is taken to be one that
	// another process is just making.
	halfMade = 10 * time.Minute
)

// folder is a folder that one process at a time holds by a lock on a file in
// it. The kernel drops the lock when the process ends, however it ends.
type folder struct {
	path string
	lock *os.File
}

var errHeld = errors.New("held by another process")

// holdFolder takes the lock of path. It fails with errHeld at once when another
// process has it. The lock file names the holder for people.
func holdFolder(path string) (*folder, error) {
	name := filepath.Join(path, lockName)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		held := errHeld
		if holder, err := os.ReadFile(name); err == nil && len(holder) > 0 { // else it has only just been locked
			held = fmt.Errorf("%w, number %s", errHeld, strings.TrimSpace(string(holder)))
		}
		return nil, errors.Join(held, f.Close())
	}
	// A sweep may have removed the file between opening and locking it; then
	// this lock guards nothing.
	held, err := f.Stat()
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if now, err := os.Lstat(name); err != nil || !os.SameFile(held, now) {
		return nil, errors.Join(fmt.Errorf("%w: swept away", errHeld), f.Close())
	}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if _, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &folder{path: path, lock: f}, nil
}

func (f *folder) release() error { return f.lock.Close() }

// newRunFolder makes and holds the folder of one running cluster: its socket
// and, for a throw-away cluster, its data and log. Only the account (and root)
// can enter it, which is what lets the server trust whoever reaches its socket:
// "peer" authentication cannot work where root talks to another user's server. It
// is in memory where that is asked for and there is room.
func newRunFolder(acct account, inMemory bool) (*folder, error) {
	parent := os.TempDir()
	if inMemory && roomInMemory() {
		parent = memoryFolder
	}
	if !socketFits(filepath.Join(parent, runPrefix+"4294967295")) || !acct.canReach(parent) {
		parent = "/tmp"
	}
	var path string
	var f *folder
	for {
		var err error
		if path, err = os.MkdirTemp(parent, runPrefix); err != nil {
			return nil, fmt.Errorf("make a folder for the cluster: %w", err)
		}
		if f, err = holdFolder(path); err == nil {
			break
		}
		// A sweep may have locked the new folder a moment before us.
		if err = errors.Join(err, os.RemoveAll(path)); !errors.Is(err, errHeld) {
			return nil, err
		}
	}
	if err := acct.own(path); err != nil {
		return nil, errors.Join(err, f.release(), os.RemoveAll(path))
	}
	return f, nil
}

// socketFits reports whether the socket's path in dir fits in a socket address
// (108 bytes with its end on Linux, 104 elsewhere) and needs no quoting in the
// server's list of socket folders.
func socketFits(dir string) bool {
	limit := 103
	if runtime.GOOS == "linux" {
		limit = 107
	}
	return len(dir)+len("/.s.PGSQL."+socketPort) <= limit && !strings.ContainsAny(dir, `,"' `)
}

// sweep removes the folders of clusters whose process is gone, after ending a
// server that outlived it. Folders that are held, kept, another user's, or just
// being made are left. It is best effort: what it cannot remove does no harm.
func sweep(acct account) {
	parents := []string{os.TempDir(), "/tmp", memoryFolder}
	slices.Sort(parents)
	for _, parent := range slices.Compact(parents) {
		paths, err := filepath.Glob(filepath.Join(parent, runPrefix+"*"))
		if err != nil {
			continue
		}
		for _, path := range paths {
			sweepFolder(acct, path)
		}
	}
}

func sweepFolder(acct account, path string) {
	info, err := os.Lstat(path)
	if err != nil || !info.IsDir() {
		return
	}
	if st, ok := info.Sys().(*syscall.Stat_t); !ok || int(st.Uid) != acct.uid {
		return
	}
	if _, err := os.Lstat(filepath.Join(path, keepName)); err == nil {
		return
	}
	if _, err := os.Lstat(filepath.Join(path, lockName)); errors.Is(err, fs.ErrNotExist) && time.Since(info.ModTime()) < halfMade {
		return
	}
	f, err := holdFolder(path)
	if err != nil {
		return
	}
	defer f.release() //nolint:errcheck // the file is gone or the lock ends with us
	endOrphan(filepath.Join(path, dataName), 0)
	_ = os.RemoveAll(path)
}
