//go:build unix

package localpg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// process is a running child.
type process struct {
	cmd  *exec.Cmd
	done chan struct{} // closed after err is set
	err  error
}

// command prepares name to run as the account, in a process group of its own
// (so that Ctrl-C on the terminal reaches only us, who stop it in order) and
// with nothing of our environment that would change what PostgreSQL does.
func command(acct account, dir, name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	cmd.Env = []string{"LC_ALL=C", "TZ=UTC"}
	for _, keep := range []string{"PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if value, ok := os.LookupEnv(keep); ok {
			cmd.Env = append(cmd.Env, keep+"="+value)
		}
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if acct.drop {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(acct.uid), Gid: uint32(acct.gid)}
	}
	return cmd
}

// spawn starts cmd. When this process dies, the kernel sends the child onDeath,
// where it can (see dieWithParent). The signal is tied to the thread that
// started the child, not to the process: that thread is kept alive and apart for
// as long as the child runs, or Go might end it and with it the child.
func spawn(cmd *exec.Cmd, onDeath syscall.Signal) (*process, error) {
	dieWithParent(cmd.SysProcAttr, onDeath)
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error)
	go func() {
		runtime.LockOSThread() // not unlocked: the thread ends with this goroutine
		err := cmd.Start()
		started <- err
		if err == nil {
			p.err = cmd.Wait()
		}
		close(p.done)
	}()
	if err := <-started; err != nil {
		if errors.Is(err, syscall.EPERM) && cmd.SysProcAttr.Credential != nil {
			return nil, fmt.Errorf("start %s as another user: %w (root without the right to change user: run as an ordinary user)", cmd.Path, err)
		}
		return nil, fmt.Errorf("start %s: %w", cmd.Path, err)
	}
	return p, nil
}

// run starts cmd and waits for it; canceling ctx kills it.
func run(ctx context.Context, cmd *exec.Cmd) error {
	p, err := spawn(cmd, syscall.SIGKILL)
	if err != nil {
		return err
	}
	select {
	case <-p.done:
		return p.err
	case <-ctx.Done():
		_ = p.cmd.Process.Kill() // it may just have ended
		<-p.done
		return ctx.Err()
	}
}

// patience is how long a server is given to obey a signal before the next one.
type patience struct {
	signal syscall.Signal
	wait   time.Duration
}

// fast lets a server end its sessions and write its checkpoint; abrupt only
// sees to it that nothing is left running. See "Shutting Down the Server" in
// PostgreSQL's manual for the signals.
var (
	fast   = []patience{{syscall.SIGINT, 20 * time.Second}, {syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}}
	abrupt = []patience{{syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}}
)

// end stops the process by one signal after another.
func (p *process) end(signals []patience) error {
	for _, s := range signals {
		_ = p.cmd.Process.Signal(s.signal) // it may just have ended
		select {
		case <-p.done:
			return nil
		case <-time.After(s.wait):
		}
	}
	return fmt.Errorf("process %d does not end, not even by SIGKILL", p.cmd.Process.Pid)
}
