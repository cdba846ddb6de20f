//go:build unix

package localpg

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	embeddedpostgres "github.com/fergusstrange/embedded-postgres"
)

// fetchable are the versions that can be fetched, the one for new clusters first.
var fetchable = []embeddedpostgres.PostgresVersion{
	embeddedpostgres.V17, embeddedpostgres.V18, embeddedpostgres.V16, embeddedpostgres.V15,
}

// fetchBinaries returns cached binaries, or fetches them into the cache.
func fetchBinaries(ctx context.Context, o Options, acct account, major int) (binaries, error) {
	version := embeddedpostgres.PostgresVersion("")
	for _, v := range fetchable {
		if major == 0 || strings.HasPrefix(string(v), fmt.Sprint(major)+".") {
			version = v
			break
		}
	}
	if version == "" {
		return binaries{}, fmt.Errorf("version %d, which the cluster's files need, is not on offer", major)
	}
	cache, err := binaryCache(o.BinaryCache, acct)
	if err != nil {
		return binaries{}, err
	}
	target := filepath.Join(cache, "postgresql-"+string(version))

	// One process fetches, the others wait for it.
	lock, err := os.OpenFile(target+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return binaries{}, err
	}
	defer lock.Close() //nolint:errcheck // closing drops the lock
	if err := waitForLock(ctx, lock); err != nil {
		return binaries{}, err
	}
	if _, err := os.Stat(target); errors.Is(err, os.ErrNotExist) {
		if err := fetchInto(ctx, target, version, o.BinaryRepository); err != nil {
			return binaries{}, err
		}
	}
	b, err := inspectBinaries(ctx, filepath.Join(target, "bin"))
	if err != nil {
		return binaries{}, fmt.Errorf("the cached binaries do not run (remove %s to fetch them again): %w", target, err)
	}
	return b, nil
}

// binaryCache is a folder that the server's own user can read.
func binaryCache(dir string, acct account) (string, error) {
	if dir == "" && acct.drop {
		dir = "/var/cache/pinwright"
	}
	if dir == "" {
		user, err := os.UserCacheDir()
		if err != nil {
			return "", err
		}
		dir = filepath.Join(user, "pinwright")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("make the cache for fetched binaries: %w", err)
	}
	if !acct.canReach(dir) {
		return "", fmt.Errorf("the user %s cannot reach the cache %s", acct.name, dir)
	}
	return dir, nil
}

// fetchInto downloads and unpacks into a folder beside target, then renames it,
// so that target is whole or missing.
//
// The library has no call that only fetches; its launcher cannot change user,
// so it must not launch either. It fetches, unpacks, and only then turns to the
// data folder: naming one that cannot exist, below a file, ends it right there.
func fetchInto(ctx context.Context, target string, version embeddedpostgres.PostgresVersion, repository string) error {
	work, err := os.MkdirTemp(filepath.Dir(target), "fetch-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work) //nolint:errcheck // the next fetch uses another name
	wall := filepath.Join(work, "wall")
	if err := os.WriteFile(wall, nil, 0o600); err != nil {
		return err
	}
	port, err := freePort() // the library insists on one, though nothing will listen
	if err != nil {
		return err
	}
	unpacked := filepath.Join(work, "unpacked")
	cfg := embeddedpostgres.DefaultConfig().
		Version(version).
		Port(port).
		CachePath(filepath.Join(work, "archive")).
		RuntimePath(filepath.Join(work, "runtime")).
		BinariesPath(unpacked).
		DataPath(filepath.Join(wall, dataName)).
		Logger(io.Discard)
	if repository != "" {
		cfg = cfg.BinaryRepositoryURL(strings.TrimSuffix(repository, "/"))
	}
	began := time.Now()
	ended := make(chan error, 1)
	go func() { // it takes no context; one that is not waited for cleans up later
		err := embeddedpostgres.NewDatabase(cfg).Start()
		removeLibraryLogs(began)
		ended <- err
		if ctx.Err() != nil {
			_ = os.RemoveAll(work)
		}
	}()
	select {
	case err = <-ended:
	case <-ctx.Done():
		removeLibraryLogs(began)
		return ctx.Err()
	}
	if _, statErr := os.Stat(filepath.Join(unpacked, "bin", "postgres")); statErr != nil {
		return fmt.Errorf("fetch PostgreSQL %s: %w", version, err)
	}
	if err := os.Chmod(unpacked, 0o755); err != nil {
		return err
	}
	return os.Rename(unpacked, target)
}

func freePort() (uint32, error) {
	l, err := net.Listen("tcp", "localhost:0")
	if err != nil {
		return 0, err
	}
	port := l.Addr().(*net.TCPAddr).Port
	return uint32(port), l.Close()
}

func waitForLock(ctx context.Context, f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil || !errors.Is(err, syscall.EWOULDBLOCK) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// removeLibraryLogs removes the empty log that the library leaves in the
// temporary folder at every start.
func removeLibraryLogs(since time.Time) {
	paths, err := filepath.Glob(filepath.Join(os.TempDir(), "embedded_postgres_log*"))
	if err != nil {
		return
	}
	for _, path := range paths {
		if info, err := os.Lstat(path); err == nil && info.Size() == 0 && !info.ModTime().Before(since.Truncate(time.Second)) {
			_ = os.Remove(path) // it is only litter
		}
	}
}
