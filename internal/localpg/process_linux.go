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

// serversOf lists the processes of a server of the data folder: they all work
// inside it. A zombie has no working folder left. complete says that there are
// no others.
func serversOf(dataFolder string) (pids []int, complete bool) {
	real, err := filepath.EvalSymlinks(dataFolder)
	if err != nil {
		return nil, os.IsNotExist(err)
	}
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil, false
	}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		// Other users' processes cannot be read, and are not ours.
		if cwd, err := os.Readlink("/proc/" + e.Name() + "/cwd"); err == nil && cwd == real {
			pids = append(pids, pid)
		}
	}
	return pids, true
}

// roomInMemory reports whether memoryFolder is in memory and has room for a cluster
// of tests.
func roomInMemory() bool {
	const (
		tmpfs = 0x01021994 // statfs(2)
		room  = 2 << 30
	)
	var fs syscall.Statfs_t
	return syscall.Statfs(memoryFolder, &fs) == nil && int64(fs.Type) == tmpfs && fs.Bavail*uint64(fs.Bsize) >= room
}
