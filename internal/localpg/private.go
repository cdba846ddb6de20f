//go:build unix

package localpg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	superuser = "postgres"

	// startWait is generous: on a loaded machine the first connection was seen
	// to take 9 s, and a kept cluster may have a crash to recover from.
	startWait = 60 * time.Second

	// maxLog is the size at which a kept cluster's log begins anew.
	maxLog = 10 << 20
)

// opening is a cluster in the making: every folder and process acquired so far.
type opening struct {
	acct   account
	kept   *folder // nil for a throw-away cluster
	run    *folder
	warden *warden
	server *process
}

func openPrivate(ctx context.Context, o Options) (_ *Cluster, err error) {
	acct, err := serverAccount()
	if err != nil {
		return nil, err
	}
	sweep(acct)

	op := &opening{acct: acct}
	defer func() {
		if err != nil {
			err = errors.Join(err, op.close(abrupt, false))
		}
	}()
	home := ""
	if o.Dir != "" {
		if op.kept, err = holdKeptFolder(acct, o.Dir); err != nil {
			return nil, err
		}
		home = op.kept.path
		endOrphan(filepath.Join(home, dataName), 10*time.Second)
	}
	major, err := clusterMajor(home)
	if err != nil {
		return nil, err
	}
	bins, step, err := findBinaries(ctx, o, thisMachine(), acct, major)
	if err != nil {
		return nil, err
	}
	if op.run, err = newRunFolder(acct, o.InMemory && home == ""); err != nil {
		return nil, err
	}
	death, lifetime := "INT", "kept in "+home
	if home == "" {
		home, death, lifetime = op.run.path, "QUIT", "throw-away"
	}
	if op.warden, err = startWarden(acct, filepath.Join(home, dataName), op.run.path, death); err != nil {
		return nil, err
	}
	if major == 0 {
		if err := initialize(ctx, acct, bins, home, op.kept != nil); err != nil {
			return nil, err
		}
	}
	adminURL := socketURL(op.run.path)
	if err := op.start(ctx, bins, home, o.Settings, adminURL); err != nil {
		return nil, err
	}
	how := describe(step, bins, acct, lifetime)
	return &Cluster{
		step:     step,
		how:      how,
		adminURL: adminURL,
		server:   &server{Running: op.running(home, adminURL, how), logPath: filepath.Join(home, logName)},
	}, nil
}

func (op *opening) running(home, adminURL, how string) Running {
	return Running{
		How:      how,
		AdminURL: adminURL,
		Done:     op.server.done,
		Log: func() (string, error) {
			b, err := os.ReadFile(filepath.Join(home, logName))
			return string(b), err
		},
		Stop: func(keepFolder bool) error {
			signals := fast
			if op.kept == nil && !keepFolder {
				signals = abrupt // nothing of it is wanted any more
			}
			return op.close(signals, keepFolder)
		},
		LookAt: fmt.Sprintf("postgres -D %s/data -k %s -c listen_addresses= (as the user who owns it), then psql -h %s -U postgres; "+
			"remove the folder %s afterwards", home, home, home, home),
	}
}

func describe(step Step, bins binaries, acct account, lifetime string) string {
	as := ""
	if acct.drop {
		as = ", running as the user " + acct.name
	}
	return fmt.Sprintf("a private PostgreSQL %s cluster from %s binaries in %s (%s%s)", bins.version, step, bins.dir, lifetime, as)
}

// socketURL logs in as the superuser over the socket in dir.
func socketURL(dir string) string {
	q := url.Values{"host": {dir}, "port": {socketPort}, "sslmode": {"disable"}}
	u := url.URL{Scheme: "postgres", User: url.User(superuser), Path: "/postgres", RawQuery: q.Encode()}
	return u.String()
}

// close undoes whatever was acquired, in reverse.
func (op *opening) close(signals []patience, keepFolder bool) error {
	var errs []error
	if op.server != nil {
		errs = append(errs, op.server.end(signals))
	}
	if op.warden != nil {
		errs = append(errs, op.warden.dismiss())
	}
	if op.run != nil {
		if keepFolder {
			errs = append(errs, os.WriteFile(filepath.Join(op.run.path, keepName), nil, 0o600))
		} else {
			errs = append(errs, os.RemoveAll(op.run.path))
		}
		errs = append(errs, op.run.release())
	}
	if op.kept != nil {
		errs = append(errs, op.kept.release())
	}
	return errors.Join(errs...)
}

// holdKeptFolder makes or takes the folder of a kept cluster.
func holdKeptFolder(acct account, dir string) (*folder, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if err := os.MkdirAll(dir, 0o755); err != nil { // parents; dir itself is closed below
			return nil, fmt.Errorf("make the cluster's folder: %w", err)
		}
	case err != nil:
		return nil, fmt.Errorf("look into the cluster's folder: %w", err)
	case len(entries) > 0 && !slices.ContainsFunc(entries, func(e os.DirEntry) bool { return e.Name() == lockName }):
		return nil, fmt.Errorf("%s holds other files: name an empty or a new folder for the cluster", dir)
	}
	if err := errors.Join(os.Chmod(dir, 0o700), acct.own(dir)); err != nil {
		return nil, fmt.Errorf("close the cluster's folder to others: %w", err)
	}
	if !acct.canReach(dir) {
		return nil, fmt.Errorf("the user %s, as whom the server runs, cannot reach %s: name a folder outside closed ones, for instance /var/lib/pinwright", acct.name, dir)
	}
	f, err := holdFolder(dir)
	if errors.Is(err, errHeld) {
		return nil, fmt.Errorf("the cluster in %s is in use: stop the other pinwright, or name another folder: %w", dir, err)
	}
	if err != nil {
		return nil, fmt.Errorf("lock the cluster's folder: %w", err)
	}
	return f, nil
}

// clusterMajor is the version that a cluster's files were made by, 0 when there
// are none yet.
func clusterMajor(home string) (int, error) {
	if home == "" {
		return 0, nil
	}
	name := filepath.Join(home, dataName, "PG_VERSION")
	b, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0, fmt.Errorf("%s does not hold a PostgreSQL version: %q", name, b)
	}
	return major, nil
}

// initialize makes the cluster's files. The encoding is UTF-8 and the locale C:
// text sorts by its bytes on every machine and in every release of the C
// library, so an index never goes stale by an upgrade, a page's cursor means the
// same everywhere, and no locale has to be installed. They are made under
// another name first, so that half a cluster is never taken for one.
func initialize(ctx context.Context, acct account, bins binaries, home string, kept bool) error {
	half, whole := filepath.Join(home, dataName+".new"), filepath.Join(home, dataName)
	if err := os.RemoveAll(half); err != nil {
		return err
	}
	args := []string{"--pgdata=" + half, "--username=" + superuser, "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-instructions"}
	if kept {
		args = append(args, "--data-checksums")
	} else {
		args = append(args, "--no-sync")
	}
	var out bytes.Buffer
	cmd := command(acct, home, filepath.Join(bins.dir, "initdb"), args...)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := run(ctx, cmd); err != nil {
		return fmt.Errorf("initdb: %w\n%s", err, lastLines(out.Bytes(), 20))
	}
	return os.Rename(half, whole)
}

// start runs the server and waits until it answers.
func (op *opening) start(ctx context.Context, bins binaries, home string, extra map[string]string, adminURL string) error {
	logPath := filepath.Join(home, logName)
	if info, err := os.Stat(logPath); err == nil && info.Size() > maxLog {
		if err := os.Truncate(logPath, 0); err != nil {
			return err
		}
	}
	log, err := os.OpenFile(logPath, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("open the server's log: %w", err)
	}
	defer log.Close() //nolint:errcheck // the server has its own descriptor
	if err := op.acct.own(logPath); err != nil {
		return err
	}
	settings := serverSettings(op.kept == nil, map[string]string{
		"listen_addresses":        "",
		"port":                    socketPort,
		"unix_socket_directories": op.run.path,
		"unix_socket_permissions": "0700",
	})
	maps.Copy(settings, extra)
	args := []string{"-D", filepath.Join(home, dataName)}
	for _, name := range slices.Sorted(maps.Keys(settings)) {
		args = append(args, "-c", name+"="+settings[name])
	}
	cmd := command(op.acct, home, filepath.Join(bins.dir, "postgres"), args...)
	cmd.Stdout, cmd.Stderr = log, log
	onDeath := syscall.SIGINT
	if op.kept == nil {
		onDeath = syscall.SIGQUIT
	}
	logStart := int64(0)
	if info, err := log.Stat(); err == nil {
		logStart = info.Size()
	}
	if op.server, err = spawn(cmd, onDeath); err != nil {
		return err
	}
	if err := op.awaitAnswer(ctx, adminURL); err != nil {
		said, _ := os.ReadFile(logPath) // the error stands without it
		return fmt.Errorf("%w\n%s", err, lastLines(said[min(logStart, int64(len(said))):], 20))
	}
	return nil
}

func (op *opening) awaitAnswer(ctx context.Context, adminURL string) error {
	ctx, cancel := context.WithTimeoutCause(ctx, startWait, fmt.Errorf("no answer within %s", startWait))
	defer cancel()
	for {
		conn, err := pgx.Connect(ctx, adminURL)
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-op.server.done:
			return fmt.Errorf("the PostgreSQL server ended while starting (%w); it said:", op.server.err)
		case <-ctx.Done():
			return fmt.Errorf("wait for the PostgreSQL server: %w (last: %w); it said:", context.Cause(ctx), err)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func lastLines(b []byte, n int) string {
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
