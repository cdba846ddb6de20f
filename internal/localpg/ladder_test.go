//go:build unix

package localpg

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The banners are what the binaries print.
func TestParseVersion(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, banner, version string
		major                 int
		bad                   bool
	}{
		{"a Debian release", "postgres (PostgreSQL) 15.4 (Debian 15.4-2.pgdg120+1)\n", "15.4", 15, false},
		{"a plain release", "postgres (PostgreSQL) 18.0\n", "18.0", 18, false},
		{"a beta has no point", "postgres (PostgreSQL) 19beta2\n", "19beta2", 19, false},
		{"before version 10 the major had two parts", "postgres (PostgreSQL) 9.6.24\n", "9.6.24", 9, false},
		{"another program", "something else 15.4\n", "", 0, true},
		{"no number", "postgres (PostgreSQL) devel\n", "", 0, true},
		{"nothing", "", "", 0, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			version, major, err := parseVersion(tc.banner)
			if version != tc.version || major != tc.major || (err != nil) != tc.bad {
				t.Errorf("parseVersion(%q) = %q, %d, %v", tc.banner, version, major, err)
			}
		})
	}
}

// fakeBinaries makes dir look like an installation of a version.
func fakeBinaries(t *testing.T, dir, version string) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "postgres"), "#!/bin/sh\necho 'postgres (PostgreSQL) "+version+"'\n")
	write(t, filepath.Join(dir, "initdb"), "#!/bin/sh\nexit 1\n")
	return dir
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
		t.Fatal(err)
	}
}

func self() account { return account{name: "you", uid: os.Geteuid(), gid: os.Getegid()} }

// onlyInstalled keeps a test from reaching the real internet.
func onlyInstalled() Options { return Options{Only: Installed} }

func TestNewestInstalledBinariesAreTaken(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	fakeBinaries(t, filepath.Join(root, "9", "bin"), "9.6.24")
	sixteen := fakeBinaries(t, filepath.Join(root, "16", "bin"), "16.2")
	seventeen := fakeBinaries(t, filepath.Join(root, "17", "bin"), "17.1")
	onPath := fakeBinaries(t, filepath.Join(root, "path"), "15.9")
	in := places{path: onPath, folders: []string{filepath.Join(root, "*", "bin")}}

	b, step, err := findBinaries(t.Context(), onlyInstalled(), in, self(), 0)
	if err != nil || b.dir != seventeen || b.version != "17.1" || step != Installed {
		t.Errorf("took %+v by %q, %v; want %s", b, step, err, seventeen)
	}
	b, _, err = findBinaries(t.Context(), onlyInstalled(), in, self(), 16)
	if err != nil || b.dir != sixteen {
		t.Errorf("for files of version 16 took %+v, %v; want %s", b, err, sixteen)
	}
	_, _, err = findBinaries(t.Context(), onlyInstalled(), in, self(), 18)
	if err == nil || !strings.Contains(err.Error(), "cluster's files are of version 18") {
		t.Errorf("for files of version 18: %v; want the mismatch named", err)
	}
}

func TestFailedClimbNamesWhatWasTriedAndWhatToInstall(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	fakeBinaries(t, filepath.Join(root, "13", "bin"), "13.9")
	in := places{folders: []string{filepath.Join(root, "*", "bin")}}
	closed := httptest.NewServer(http.NotFoundHandler())
	closed.Close() // an address that refuses
	_, _, err := findBinaries(t.Context(), Options{BinaryRepository: closed.URL, BinaryCache: t.TempDir()}, in, self(), 0)
	if err == nil {
		t.Fatal("found binaries where there are none")
	}
	for _, want := range []string{
		"PINWRIGHT_DATABASE_URL is not set", "13.9, which is too old", filepath.Join(root, "*", "bin"),
		"fetching binaries", closed.URL, "apt-get install postgresql", "PINWRIGHT_DATABASE_URL=postgres://",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not say %q:\n%v", want, err)
		}
	}
}

func TestOpenRefusesWhatCannotWork(t *testing.T) {
	t.Parallel()
	occupied := reachableDir(t)
	write(t, filepath.Join(occupied, "letter.txt"), "mine")
	future := reachableDir(t)
	write(t, filepath.Join(future, lockName), "")
	if err := os.Mkdir(filepath.Join(future, dataName), 0o700); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(future, dataName, "PG_VERSION"), "99\n")
	for _, tc := range []struct {
		name string
		o    Options
		want string
	}{
		{"a given server that does not answer is not passed over", Options{URL: "postgres://nobody@127.0.0.1:1/none?connect_timeout=2"}, "does not answer"},
		{"a given text that is no URL", Options{URL: "postgres://[bad"}, "is not a PostgreSQL URL"},
		{"only a given server allowed, none given", Options{Only: Given}, "PINWRIGHT_DATABASE_URL is not set"},
		{"a folder with somebody's files", Options{Dir: occupied}, "holds other files"},
		{"files of a version that is not installed", Options{Dir: future, Only: Installed}, "files are of version 99"},
		{"a setting that the server refuses", Options{Settings: map[string]string{"shared_buffers": "much"}}, "shared_buffers"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			c, err := Open(t.Context(), tc.o)
			if err == nil {
				t.Fatal(c.Stop(), "opened")
			}
			if !strings.Contains(err.Error(), tc.want) {
				t.Errorf("error %q does not say %q", err, tc.want)
			}
		})
	}
	if left, err := os.ReadFile(filepath.Join(occupied, "letter.txt")); err != nil || string(left) != "mine" {
		t.Error("the refused folder was changed")
	}
}

// repository serves the test archive in the layout of a Maven repository.
func repository(t *testing.T, checksum func(string) string) (*httptest.Server, *int) {
	t.Helper()
	archive, err := os.ReadFile(filepath.Join("testdata", "binaries.txz"))
	if err != nil {
		t.Fatal(err)
	}
	var jar bytes.Buffer
	z := zip.NewWriter(&jar)
	w, err := z.Create("postgres.txz")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(archive); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(jar.Bytes())
	requests := new(int)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		*requests++
		switch {
		case !strings.HasPrefix(r.URL.Path, "/io/zonky/test/postgres/embedded-postgres-binaries-"):
			http.NotFound(w, r)
		case strings.HasSuffix(r.URL.Path, ".jar"):
			_, _ = w.Write(jar.Bytes())
		case strings.HasSuffix(r.URL.Path, ".jar.sha256"):
			_, _ = w.Write([]byte(checksum(hex.EncodeToString(sum[:]))))
		}
	}))
	t.Cleanup(s.Close)
	return s, requests
}

func TestBinariesAreFetchedOnceAndNotStarted(t *testing.T) {
	t.Parallel()
	s, requests := repository(t, func(sum string) string { return sum })
	cache := t.TempDir()
	o := Options{BinaryRepository: s.URL + "/", BinaryCache: cache}
	for range 2 {
		b, step, err := findBinaries(t.Context(), o, places{}, self(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if step != Fetched || b.major != 17 || !strings.HasPrefix(b.dir, cache) {
			t.Errorf("%+v by %q", b, step)
		}
	}
	if *requests != 2 { // the archive and its checksum
		t.Errorf("%d requests, want 2: the second time it is in the cache", *requests)
	}
	entries, err := os.ReadDir(cache)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if diff := cmp.Diff([]string{"postgresql-17.5.0", "postgresql-17.5.0.lock"}, names); diff != "" {
		t.Errorf("the cache (-want +got):\n%s", diff)
	}
}

func TestFetchedBinariesWithAWrongChecksumAreRefused(t *testing.T) {
	t.Parallel()
	s, _ := repository(t, func(sum string) string { return strings.Repeat("0", len(sum)) })
	cache := t.TempDir()
	_, _, err := findBinaries(t.Context(), Options{BinaryRepository: s.URL, BinaryCache: cache}, places{}, self(), 0)
	if err == nil || !strings.Contains(err.Error(), "checksums do not match") {
		t.Errorf("%v, want a refusal of the checksum", err)
	}
	if !gone(filepath.Join(cache, "postgresql-17.5.0")) {
		t.Error("refused binaries are in the cache")
	}
}

func TestFetchEndsWithItsContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	release := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		cancel()
		<-release
	}))
	t.Cleanup(func() { close(release); s.Close() })
	_, _, err := findBinaries(ctx, Options{BinaryRepository: s.URL, BinaryCache: t.TempDir()}, places{}, self(), 0)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("from a server that does not answer: %v, want the context's error", err)
	}
}

// Not parallel: it changes the environment.
func TestRunFolderMovesWhenTheTemporaryFolderIsTooDeepForASocket(t *testing.T) {
	deep := filepath.Join(reachableDir(t), strings.Repeat("d", 90))
	if err := os.MkdirAll(deep, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TMPDIR", deep)
	c := open(t, Options{})
	if dir := socketDir(t, c); !strings.HasPrefix(dir, "/tmp/"+runPrefix) {
		t.Errorf("the socket is in %s", dir)
	}
}

func TestSweepLeavesFoldersThatAreHeldOrNew(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name    string
		prepare func(t *testing.T, dir string)
		swept   bool
	}{
		{"a lock nobody holds", func(t *testing.T, dir string) { write(t, filepath.Join(dir, lockName), "1\n") }, true},
		{"a held lock", func(t *testing.T, dir string) {
			f, err := holdFolder(dir)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = f.release() })
		}, false},
		{"marked to be kept", func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, lockName), "1\n")
			write(t, filepath.Join(dir, keepName), "")
		}, false},
		{"no lock yet, made just now", func(*testing.T, string) {}, false},
		{"no lock, made long ago", func(t *testing.T, dir string) {
			long := time.Now().Add(-2 * halfMade)
			if err := os.Chtimes(dir, long, long); err != nil {
				t.Fatal(err)
			}
		}, true},
		{"a lock that points elsewhere", func(t *testing.T, dir string) {
			if err := os.Symlink("/etc/hostname", filepath.Join(dir, lockName)); err != nil {
				t.Fatal(err)
			}
		}, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), runPrefix+"1")
			if err := os.Mkdir(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			tc.prepare(t, dir)
			sweepFolder(self(), dir)
			if gone(dir) != tc.swept {
				t.Errorf("swept: %v, want %v", gone(dir), tc.swept)
			}
		})
	}
}
