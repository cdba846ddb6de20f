package arrows_test

import (
	"slices"
	"strings"
	"testing"
)

// onlyTests are packages of ours, and modules of others, that no command may hold:
// what they bring along is tested by nobody as part of the program, and would
// have to be looked after like it.
var onlyTests = []string{
	module + "internal/pgtest", module + "internal/pgcontainer", module + "internal/specimen", module + "internal/arrows",
	"github.com/testcontainers/", "github.com/moby/", "github.com/emersion/", "github.com/google/go-cmp/", "pgregory.net/rapid", "testing",
	"github.com/anishathalye/porcupine", "github.com/emersion/", "github.com/apognu/",
}

func TestCommandsHoldNothingThatIsOnlyForTests(t *testing.T) {
	t.Parallel()
	imports := map[string][]string{}
	var next []string
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		imports[s.pkg] = append(imports[s.pkg], s.imports...)
		if strings.HasPrefix(s.pkg, "cmd/") && !slices.Contains(next, s.pkg) {
			next = append(next, s.pkg)
		}
	}
	from := map[string]string{} // package: which one imports it
	for len(next) > 0 {
		pkg := next[0]
		next = next[1:]
		for _, i := range imports[pkg] {
			for _, not := range onlyTests {
				if i == not || strings.HasSuffix(not, "/") && strings.HasPrefix(i, not) {
					t.Errorf("%s imports %s, which is for tests only; the way there: %s", pkg, i, way(from, pkg))
				}
			}
			other, ours := strings.CutPrefix(i, module)
			if _, seen := from[other]; ours && !seen {
				from[other] = pkg
				next = append(next, other)
			}
		}
	}
	if len(from) < 20 {
		t.Errorf("the commands reach only %d packages; the walk proves nothing", len(from))
	}
	// Forbidden names that nothing has any more would forbid nothing.
	for _, not := range onlyTests {
		found := false
		for _, s := range sources(t) {
			found = found || slices.ContainsFunc(s.imports, func(i string) bool { return i == not || strings.HasSuffix(not, "/") && strings.HasPrefix(i, not) })
			found = found || module+s.pkg == not
		}
		if !found {
			t.Errorf("nothing is or imports %s: forbid what it has become", not)
		}
	}
}

func way(from map[string]string, pkg string) string {
	steps := []string{pkg}
	for from[pkg] != "" {
		pkg = from[pkg]
		steps = append(steps, pkg)
	}
	slices.Reverse(steps)
	return strings.Join(steps, " → ")
}
