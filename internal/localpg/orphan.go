//go:build unix

package localpg

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// endOrphan ends a server that outlived the process which started it, so that
// its data folder can be opened or removed. The caller holds the folder's lock:
// no living process of ours owns that server. A server that is already shutting
// down is given time to finish first.
//
// What is left of postmaster.pid after a crash is PostgreSQL's to judge, but for
// one case that it gets wrong: the number was given to another program since.
func endOrphan(dataFolder string, grace time.Duration) {
	pidFile := filepath.Join(dataFolder, "postmaster.pid")
	pid := readPID(pidFile)
	if pid == 0 {
		return
	}
	if !servesFolder(pid, dataFolder) {
		if !anyServes(dataFolder) {
			_ = os.Remove(pidFile) // else PostgreSQL says what it minds
		}
		return
	}
	if endsWithin(pid, dataFolder, grace) {
		return
	}
	signals := abrupt
	if grace > 0 {
		signals = fast
	}
	for _, s := range signals {
		if err := syscall.Kill(pid, s.signal); errors.Is(err, syscall.ESRCH) {
			return
		}
		if endsWithin(pid, dataFolder, s.wait) {
			return
		}
	}
}

func endsWithin(pid int, dataFolder string, wait time.Duration) bool {
	for deadline := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		if !servesFolder(pid, dataFolder) {
			return true
		}
		if time.Now().After(deadline) {
			return false
		}
	}
}

// readPID is the first line of a postmaster.pid, or 0 when there is none.
func readPID(path string) int {
	b, err := os.ReadFile(path)
	if err != nil {
		return 0
	}
	line, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil || pid <= 1 {
		return 0
	}
	return pid
}
