//go:build unix

package localpg

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// wardenScript waits on its input. A word means that all is in order and it may
// go; the end of input without one means that the process which opened the
// cluster is dead, however it died. Then it ends the server named in the pid
// file and removes the run folder.
//
//	$1 signal for the server   $2 its pid file   $3 folder to remove
const wardenScript = `
trap '' HUP INT TERM
read -r word && exit 0
turns=0
pid=$(head -n 1 "$2" 2>/dev/null)
if [ -n "$pid" ]; then
	kill -s "$1" "$pid" 2>/dev/null
	while [ -e "$2" ] && kill -0 "$pid" 2>/dev/null && [ $turns -lt 600 ]; do
		sleep 0.1
		turns=$((turns + 1))
	done
fi
turns=0
while [ -e "$3" ] && [ $turns -lt 50 ]; do
	rm -rf "$3" 2>/dev/null || sleep 0.1
	turns=$((turns + 1))
done
`

// warden is a small shell that outlives this process by a moment.
type warden struct {
	process *process
	input   io.WriteCloser
}

func startWarden(acct account, dataFolder, runFolder string, signal string) (*warden, error) {
	cmd := command(acct, "/", "/bin/sh", "-c", wardenScript, "warden", signal, filepath.Join(dataFolder, "postmaster.pid"), runFolder)
	input, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	p, err := spawn(cmd, 0) // it must live on when we die
	if err != nil {
		return nil, errors.Join(err, input.Close())
	}
	return &warden{process: p, input: input}, nil
}

// dismiss lets the warden go without doing anything.
func (w *warden) dismiss() error {
	_, err := io.WriteString(w.input, "done\n")
	if errors.Is(err, syscall.EPIPE) || errors.Is(err, os.ErrClosed) {
		err = nil // somebody ended it already
	}
	<-w.process.done // which closes the pipe
	return err
}
