//go:build unix && !linux

package localpg

import (
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

// dieWithParent does nothing here: only Linux has a parent-death signal. The
// warden ends the server instead.
func dieWithParent(*syscall.SysProcAttr, syscall.Signal) {}

// servesFolder reports whether process pid is a server of the data folder, as
// far as its command line shows.
func servesFolder(pid int, dataFolder string) bool {
	out, err := exec.Command("ps", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	return err == nil && strings.Contains(string(out), "postgres") && strings.Contains(string(out), dataFolder)
}

// anyServes cannot be told here: PostgreSQL is left to judge postmaster.pid.
func anyServes(string) bool { return true }
