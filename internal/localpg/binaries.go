//go:build unix

package localpg

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// binaries is a folder that holds initdb and postgres of one version.
type binaries struct {
	dir     string
	version string // as the binary states it, for instance 15.4
	major   int
}

// usualFolders are where packages put the server's binaries, which are often
// not on PATH because several versions may be installed side by side.
var usualFolders = []string{
	"/usr/lib/postgresql/*/bin",                          // Debian, Ubuntu
	"/usr/pgsql-*/bin",                                   // PGDG on Red Hat
	"/usr/libexec/postgresql*",                           // Alpine
	"/opt/homebrew/opt/postgresql*/bin",                  // Homebrew, Apple silicon
	"/usr/local/opt/postgresql*/bin",                     // Homebrew, Intel
	"/home/linuxbrew/.linuxbrew/opt/postgresql*/bin",     // Homebrew, Linux
	"/opt/local/lib/postgresql*/bin",                     // MacPorts
	"/Applications/Postgres.app/Contents/Versions/*/bin", // Postgres.app
	"/usr/local/pgsql/bin", "/usr/local/bin", "/usr/bin", // built from source; BSD; Arch, Fedora
}

// installedBinaries lists what is on this machine, newest first, and says in
// words what it passed over.
func installedBinaries(ctx context.Context, path string, folders []string) (found []binaries, passedOver []string) {
	dirs := filepath.SplitList(path)
	for _, pattern := range folders {
		matches, err := filepath.Glob(pattern)
		if err != nil {
			continue // only a malformed pattern, and these are ours
		}
		dirs = append(dirs, matches...)
	}
	seen := map[string]bool{}
	for _, dir := range dirs {
		real, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
		if err != nil || !filepath.IsAbs(real) || seen[real] {
			continue
		}
		seen[real] = true
		b, err := inspectBinaries(ctx, filepath.Dir(real))
		switch {
		case err != nil:
			passedOver = append(passedOver, err.Error())
		case b.major < MinMajor:
			passedOver = append(passedOver, fmt.Sprintf("%s is version %s, which is too old", b.dir, b.version))
		default:
			found = append(found, b)
		}
	}
	slices.SortStableFunc(found, func(a, b binaries) int { return b.major - a.major })
	return found, passedOver
}

// inspectBinaries asks the binaries in dir for their version.
func inspectBinaries(ctx context.Context, dir string) (binaries, error) {
	if _, err := os.Stat(filepath.Join(dir, "initdb")); err != nil {
		return binaries{}, fmt.Errorf("%s has postgres but no initdb", dir)
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return binaries{}, fmt.Errorf("%s: postgres --version: %w", dir, err)
	}
	version, major, err := parseVersion(string(out))
	if err != nil {
		return binaries{}, fmt.Errorf("%s: %w", dir, err)
	}
	return binaries{dir: dir, version: version, major: major}, nil
}

// parseVersion reads "postgres (PostgreSQL) 15.4 (Debian 15.4-1)" and, before a
// release, "postgres (PostgreSQL) 18beta1".
func parseVersion(banner string) (version string, major int, err error) {
	_, rest, ok := strings.Cut(banner, "(PostgreSQL) ")
	fields := strings.Fields(rest)
	if !ok || len(fields) == 0 {
		return "", 0, fmt.Errorf("%q does not name a PostgreSQL version", strings.TrimSpace(banner))
	}
	digits := fields[0]
	if end := strings.IndexFunc(digits, func(r rune) bool { return r < '0' || r > '9' }); end >= 0 {
		digits = digits[:end]
	}
	major, err = strconv.Atoi(digits)
	if err != nil {
		return "", 0, fmt.Errorf("%q does not name a PostgreSQL version", strings.TrimSpace(banner))
	}
	return fields[0], major, nil
}
