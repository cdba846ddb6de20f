//go:build unix && !linux

package localpg

import (
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// dieWithParent does nothing here: only Linux has a parent-death signal. The
// warden ends the server instead.
func dieWithParent(*syscall.SysProcAttr, syscall.Signal) {}

// serversOf tells only of the process that postmaster.pid names, by its command
// line; its sessions do not show whose they are, so the list is not complete.
func serversOf(dataFolder string) (pids []int, complete bool) {
	pid := readPID(filepath.Join(dataFolder, "postmaster.pid"))
	if pid == 0 {
		return nil, false
	}
	out, err := exec.Command("ps", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	if err == nil && strings.Contains(string(out), "postgres") && strings.Contains(string(out), dataFolder) {
		return []int{pid}, false
	}
	return nil, false
}

// roomInMemory: only Linux has a folder in memory that is always there.
func roomInMemory() bool { return false }
