package localpg

import (
	"os"
	"path/filepath"
	"strconv"
	"syscall"
)

// dieWithParent has the kernel signal the child when the thread that starts it
// ends, which covers a SIGKILL of this process.
func dieWithParent(attr *syscall.SysProcAttr, signal syscall.Signal) { attr.Pdeathsig = signal }

// servesFolder reports whether process pid is a server of the data folder: a
// server's processes all work inside it. A zombie has no working folder left.
func servesFolder(pid int, dataFolder string) bool {
	cwd, err := os.Readlink("/proc/" + strconv.Itoa(pid) + "/cwd")
	if err != nil {
		return false
	}
	real, err := filepath.EvalSymlinks(dataFolder)
	return err == nil && cwd == real
}

// anyServes reports whether any process still works inside the data folder.
// It is only asked when the process that postmaster.pid names does not, to
// learn whether that file is safe to remove.
func anyServes(dataFolder string) bool {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return true // cannot tell: leave the file for PostgreSQL to judge
	}
	for _, e := range entries {
		if pid, err := strconv.Atoi(e.Name()); err == nil && servesFolder(pid, dataFolder) {
			return true
		}
	}
	return false
}
