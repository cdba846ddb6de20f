//go:build unix

package localpg

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// endOrphan ends what is left of a server that outlived the process which
// started it, so that its data folder can be opened or removed. The caller
// holds the folder's lock: no living process of ours owns that server. One that
// is already shutting down, or sessions that have yet to notice that their
// server was killed, are given the time of grace to finish.
//
// What is left of postmaster.pid after a crash is PostgreSQL's to judge, but for
// one case that it gets wrong: the number was given to another program since.
func endOrphan(dataFolder string, grace time.Duration) {
	pidFile := filepath.Join(dataFolder, "postmaster.pid")
	pid := readPID(pidFile)
	if pid == 0 {
		return
	}
	steps := append([]patience{{0, grace}}, abrupt...)
	if grace > 0 {
		steps = append([]patience{{0, grace}}, fast...)
	}
	for _, step := range steps {
		pids, _ := serversOf(dataFolder)
		if len(pids) == 0 {
			break
		}
		// Its server, if it still has one, ends the sessions.
		if slices.Contains(pids, pid) {
			pids = []int{pid}
		}
		for _, p := range pids {
			if step.signal != 0 {
				_ = syscall.Kill(p, step.signal) // it may just have ended
			}
		}
		for deadline := time.Now().Add(step.wait); len(pids) > 0 && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
			pids, _ = serversOf(dataFolder)
		}
	}
	pids, complete := serversOf(dataFolder)
	numberInUse := !errors.Is(syscall.Kill(pid, 0), syscall.ESRCH)
	if len(pids) == 0 && complete && numberInUse && readPID(pidFile) == pid {
		_ = os.Remove(pidFile) // else PostgreSQL says what it minds
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
