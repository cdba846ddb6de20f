package main

import (
	"bytes"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"testing"

	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// asCommand makes this test binary be the command, for tests of the process.
const asCommand = "BE_THE_COMMAND"

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		main()
	}
	pgtest.Main(m)
}

func call(t *testing.T, environ []string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, environ, &out, &errs)
	return code, out.String(), errs.String()
}

func TestCommandLinesThatAreWrongSaySoAndExitWith2(t *testing.T) {
	t.Parallel()
	url := []string{"PINWRIGHT_MIGRATE_URL=postgres://own@localhost:1/x"}
	for _, tc := range []struct {
		name    string
		environ []string
		args    []string
		want    string
	}{
		{"no such command", nil, []string{"fly"}, `no command "fly"`},
		{"no such flag", url, []string{"migrate", "-fast", "up"}, "-fast"},
		{"nothing to do", url, []string{"migrate"}, "want one of: up, down"},
		{"no such direction", url, []string{"migrate", "sideways"}, "want one of: up, down"},
		{"down without saying how far", url, []string{"migrate", "down"}, "down all"},
		{"down by nothing", url, []string{"migrate", "down", "0"}, "from 1, or all"},
		{"up with a number", url, []string{"migrate", "up", "2"}, "want one of"},
		{"mend to a word", url, []string{"migrate", "mend", "it"}, "the number of a migration"},
		{"help on nothing known", nil, []string{"help", "fly"}, `no command "fly"`},
		{"install with an argument", []string{"PINWRIGHT_DATABASE_URL=postgres://a@localhost:1/x"}, []string{"install", "here"}, "takes flags only"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			code, _, stderr := call(t, tc.environ, tc.args...)
			if code != exitUsage || !strings.Contains(stderr, tc.want) {
				t.Errorf("exit %d, stderr %q; want %d and %q", code, stderr, exitUsage, tc.want)
			}
		})
	}
}

func TestHelpListsEveryCommandAndEachHasItsOwn(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{nil, {"help"}, {"-h"}, {"--help"}} {
		code, stdout, _ := call(t, nil, args...)
		for _, c := range commands() {
			if code != exitOK || !strings.Contains(stdout, c.name) || !strings.Contains(stdout, c.synopsis) {
				t.Errorf("pinwright %v does not list %s (exit %d)", args, c.name, code)
			}
		}
	}
	for _, c := range commands() {
		if c.name == "help" {
			continue
		}
		code, stdout, stderr := call(t, nil, "help", c.name)
		if code != exitOK || !strings.HasPrefix(stdout, "usage: pinwright "+c.name) || stderr != "" {
			t.Errorf("help %s: exit %d, %q, %q", c.name, code, stdout, stderr)
		}
	}
	if code, stdout, _ := call(t, nil, "help", "settings"); code != exitOK || !strings.Contains(stdout, "PINWRIGHT_SERVE_URL_FILE") {
		t.Errorf("help settings: exit %d, %q", code, stdout)
	}
}

func TestWrongSettingsExitWith1AndNameThemAll(t *testing.T) {
	t.Parallel()
	code, _, stderr := call(t, []string{"PINWRIGHT_POOL_SIZE=0", "PINWRIGHT_POLL_SIZE=4"}, "migrate", "-log-level", "loud", "up")
	if code != exitFailed {
		t.Errorf("exit %d", code)
	}
	for _, want := range []string{"PINWRIGHT_POOL_SIZE", "-log-level", "PINWRIGHT_MIGRATE_URL is not set"} {
		if !strings.Contains(stderr, want) {
			t.Errorf("stderr does not name %s: %s", want, stderr)
		}
	}
}

func TestInstallAndMigrateBringUpADatabase(t *testing.T) {
	t.Parallel()
	c := pgtest.Cluster(t)
	db := pgtest.New(t) // its name is mine to mend and migrate
	environ := []string{"PINWRIGHT_DATABASE_URL=" + c.AdminURL(), "PINWRIGHT_MIGRATE_URL=" + db.OwnerURL, "PINWRIGHT_MISSPELT=1"}
	latest, err := schema.GetVersion(t.Context(), db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	if latest.Number == 0 {
		t.Fatalf("the template stands at 0, but there are migrations: %v", migrations.Files)
	}
	before, err := newestBefore(latest.Number)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		args []string
		want string
	}{
		{[]string{"install", "-name", db.Name}, "roles stand"},
		{[]string{"migrate", "version"}, "stands at migration " + strconv.Itoa(latest.Number) + "\n"},
		{[]string{"migrate", "down", "1"}, "stands at migration " + strconv.Itoa(before) + "\n"},
		{[]string{"migrate", "up"}, "stands at migration " + strconv.Itoa(latest.Number) + "\n"},
		{[]string{"migrate", "down", "all"}, "stands at migration 0\n"},
		{[]string{"migrate", "up"}, "stands at migration " + strconv.Itoa(latest.Number) + "\n"},
		{[]string{"migrate", "mend", "0"}, "stands at migration 0\n"},
	} {
		code, stdout, stderr := call(t, environ, step.args...)
		if code != exitOK || !strings.Contains(stdout, step.want) {
			t.Errorf("%v: exit %d, %q, %q; want %q", step.args, code, stdout, stderr, step.want)
		}
		if !strings.Contains(stderr, "PINWRIGHT_MISSPELT is no setting") {
			t.Errorf("%v: no warning of the misspelt setting: %q", step.args, stderr)
		}
	}
}

// newestBefore is the number of the migration before number n.
func newestBefore(n int) (before int, err error) {
	names, err := fs.Glob(migrations.Files, "*.up.sql")
	for _, name := range names {
		if at, _ := strconv.Atoi(name[:4]); at < n {
			before = max(before, at)
		}
	}
	return before, err
}
