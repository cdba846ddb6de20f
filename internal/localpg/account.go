//go:build unix

package localpg

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is the user a server runs as.
type account struct {
	name     string
	uid, gid int
	drop     bool // the process must change to it: we are root
}

// serverAccount is the invoking user, or for root an unprivileged one.
func serverAccount() (account, error) {
	if os.Geteuid() != 0 {
		return account{name: "you", uid: os.Geteuid(), gid: os.Getegid()}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, errUID := strconv.Atoi(u.Uid)
		gid, errGID := strconv.Atoi(u.Gid)
		if errUID != nil || errGID != nil || uid <= 0 {
			continue
		}
		return account{name: name, uid: uid, gid: gid, drop: true}, nil
	}
	return account{}, fmt.Errorf("PostgreSQL refuses to run as root and this machine has neither a user postgres nor a user nobody: " +
		"run as an ordinary user, or create one with useradd --system postgres")
}

// own gives a file or folder of ours to the account.
func (a account) own(path string) error {
	if !a.drop {
		return nil
	}
	return os.Lchown(path, a.uid, a.gid)
}

// canReach reports whether the account may pass through every folder down to
// dir and dir itself; root's home, for instance, is closed to others.
func (a account) canReach(dir string) bool {
	if !a.drop {
		return true
	}
	for d := filepath.Clean(dir); ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err != nil {
			return false
		}
		st, ok := info.Sys().(*syscall.Stat_t)
		if !ok {
			return false
		}
		perm := info.Mode().Perm()
		switch {
		case int(st.Uid) == a.uid:
			perm >>= 6
		case int(st.Gid) == a.gid:
			perm >>= 3
		}
		if perm&1 == 0 {
			return false
		}
		if d == filepath.Dir(d) {
			return true
		}
	}
}
