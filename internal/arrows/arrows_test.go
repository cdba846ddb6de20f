package arrows_test

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

const (
	root   = "../.."
	module = "pinwright/"
)

// source is one Go file of the tree.
type source struct {
	path      string // from the root
	pkg       string // the folder it stands in
	test      bool
	generated bool
	lines     int
	syntax    *ast.File
	imports   []string
}

var tree = sync.OnceValues(func() ([]source, error) {
	var out []source
	err := filepath.WalkDir(root, func(at string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := filepath.ToSlash(strings.TrimPrefix(at, root+string(filepath.Separator)))
		if d.IsDir() && at != root && strings.HasPrefix(d.Name(), ".") {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(name, ".go") {
			return nil
		}
		text, err := os.ReadFile(at)
		if err != nil {
			return err
		}
		syntax, err := parser.ParseFile(token.NewFileSet(), name, text, parser.ParseComments)
		if err != nil {
			return err
		}
		s := source{path: name, pkg: path.Dir(name), test: strings.HasSuffix(name, "_test.go"), generated: ast.IsGenerated(syntax),
			lines: bytes.Count(text, []byte("\n")), syntax: syntax}
		for _, i := range syntax.Imports {
			p, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			s.imports = append(s.imports, p)
		}
		out = append(out, s)
		return nil
	})
	return out, err
})

// sources are all Go files of the tree.
func sources(t *testing.T) []source {
	t.Helper()
	all, err := tree()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 100 {
		t.Fatalf("found only %d Go files; these tests would prove nothing", len(all))
	}
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	t.Parallel()
	arrows := 0
	for _, s := range sources(t) {
		if s.test { // a test may look at its package from above
			continue
		}
		if why := refusal(s.pkg, s.pkg); strings.Contains(why, "does not know") {
			t.Errorf("%s: %s", s.path, why)
		}
		for _, i := range s.imports {
			if other, ours := strings.CutPrefix(i, module); ours {
				arrows++
				if why := refusal(s.pkg, other); why != "" {
					t.Errorf("%s imports %s: %s", s.path, other, why)
				}
			}
		}
	}
	if arrows < 100 {
		t.Errorf("found only %d imports between packages", arrows)
	}
}

// The rules themselves, so that a slip in them shows.
func TestRefusalsAreWhatTheyShouldBe(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		pkg, other string
		refused    bool
	}{
		{"internal/calc/wornsize", "internal/calc/uncertainty", false},
		{"internal/calc/wornsize", "internal/problem", true},
		{"internal/club", "internal/tool", true},
		{"internal/reading", "internal/tool", false},
		{"internal/vehicle", "internal/pinseries", false},
		{"internal/pinseries", "internal/vehicle", true},
		{"internal/vehicle", "internal/replay", true},
		{"internal/lending", "api", true},
		{"internal/imports", "internal/sheet", false},
		{"internal/sheet", "internal/imports", true},
		{"internal/postgres", "internal/club", true},
		{"api", "internal/lending", false},
		{"api", "internal/config", true},
		{"cmd/pinwright", "api", false},
		{"internal/unheard-of", "internal/problem", true},
	} {
		if got := refusal(tc.pkg, tc.other) != ""; got != tc.refused {
			t.Errorf("%s importing %s: refused %v, want %v", tc.pkg, tc.other, got, tc.refused)
		}
	}
}

// effects are the parts of the standard library that reach outside, or answer
// differently each time.
var effects = regexp.MustCompile(`^(os|net|syscall|unsafe|plugin|log|database|math/rand|crypto/rand|io/ioutil|runtime/debug|testing)(/|$)`)

func TestCalculationsArePure(t *testing.T) {
	t.Parallel()
	const why = "internal/calc has no I/O, no clock and no chance: equal inputs give equal answers, on every machine and at every time"
	for _, s := range sources(t) {
		if !isCalc(s.pkg) || s.test {
			continue
		}
		for _, i := range s.imports {
			standard := !strings.Contains(strings.SplitN(i, "/", 2)[0], ".") && !strings.HasPrefix(i, module)
			switch {
			case standard && effects.MatchString(i):
				t.Errorf("%s imports %s: %s", s.path, i, why)
			case !standard && !strings.HasPrefix(i, module) && !strings.HasPrefix(i, "gonum.org/v1/gonum/") && !strings.HasPrefix(i, "github.com/cockroachdb/apd/"):
				t.Errorf("%s imports %s: of other modules internal/calc takes only gonum (numerics) and apd (exact decimals)", s.path, i)
			}
		}
		for _, call := range clockReadings(s) {
			t.Errorf("%s calls time.%s: %s", s.path, call, why)
		}
	}
}

func clockReadings(s source) []string {
	var out []string
	ast.Inspect(s.syntax, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "Tick", "NewTimer", "NewTicker"}, sel.Sel.Name) {
				out = append(out, sel.Sel.Name)
			}
		}
		return true
	})
	return out
}

func TestDomainKnowsNeitherHTTPNorTheClock(t *testing.T) {
	t.Parallel()
	for _, s := range sources(t) {
		if domainPlace(s.pkg) < 0 || s.test {
			continue
		}
		for _, i := range s.imports {
			if i == "net/http" || strings.HasPrefix(i, "github.com/labstack/echo") {
				t.Errorf("%s imports %s: a rule of the club is the same whoever asks; statuses and headers are api's", s.path, i)
			}
			if i == "net/smtp" || strings.HasPrefix(i, "github.com/riverqueue/") || strings.HasPrefix(i, "github.com/wneessen/") {
				t.Errorf("%s imports %s: a domain package decides what is due and says it; jobs keeps time and mail speaks to servers", s.path, i)
			}
		}
		for _, call := range clockReadings(s) {
			t.Errorf("%s calls time.%s: the time of a write is postgres.Tx.Now, one for the whole transaction, so that rules can be tested at any time", s.path, call)
		}
	}
}

// drawers are names that say nothing about what is inside.
var drawers = []string{"util", "utils", "common", "helper", "helpers", "manager", "managers", "model", "models", "service", "services", "misc", "base", "shared", "lib"}

func TestNamesSayWhatIsInside(t *testing.T) {
	t.Parallel()
	for _, s := range sources(t) {
		file := strings.TrimSuffix(strings.TrimSuffix(path.Base(s.path), ".go"), "_test")
		if slices.Contains(drawers, path.Base(s.pkg)) || slices.Contains(drawers, s.syntax.Name.Name) {
			t.Errorf("%s: name the package after its one idea; a drawer for everything fills up with everything", s.pkg)
		}
		// internal/calc/wornsize/shared.go is about errors that readings share, which is the engine's word.
		if slices.Contains(drawers, file) && s.path != "internal/calc/wornsize/shared.go" {
			t.Errorf("%s: name the file after what is in it", s.path)
		}
	}
}

func TestEveryPackageHasOneComment(t *testing.T) {
	t.Parallel()
	comments, all := map[string][]string{}, map[string]bool{}
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		all[s.pkg] = true
		if s.syntax.Doc == nil {
			continue
		}
		comments[s.pkg] = append(comments[s.pkg], s.path)
		if s.generated {
			continue
		}
		if want := "Package " + s.syntax.Name.Name + " "; s.syntax.Name.Name != "main" && !strings.HasPrefix(s.syntax.Doc.Text(), want) {
			t.Errorf("%s: begin the package comment with %q", s.path, want)
		}
	}
	for pkg := range all {
		files := comments[pkg]
		if len(files) > 1 { // what a generator wrote does not count beside one by hand
			files = slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, ".gen.go") })
		}
		if len(files) != 1 {
			t.Errorf("%s: has %d package comments %v, want one that says what the package is for and what it does not do", pkg, len(files), files)
		}
	}
}

// most is how long a file by hand may be: past it, it holds more than one idea.
const most = 500

func TestFilesStayShort(t *testing.T) {
	t.Parallel()
	for _, s := range sources(t) {
		if !s.generated && s.lines > most {
			t.Errorf("%s has %d lines, at most %d: split it by idea while that is still easy", s.path, s.lines, most)
		}
	}
}

// top is everything that may stand at the top of the tree.
var top = []string{"api", "cmd", "internal", "migrations", "openapi", "deploy", "testdata", "README.md", "DEVELOPERS.md", "LICENSE", "go.mod", "go.sum", "docker-compose.yml"}

func TestTopOfTheTreeHoldsOnlyWhatWasDecided(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	ignored, err := os.ReadFile(filepath.Join(root, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		name := e.Name()
		skip := strings.HasPrefix(name, ".")
		for line := range strings.Lines(string(ignored)) {
			if ok, err := path.Match(strings.Trim(strings.TrimSpace(line), "/"), name); err == nil && ok {
				skip = true
			}
		}
		if !skip && !slices.Contains(top, name) {
			t.Errorf("%s stands at the top of the tree: put it into the folder of its idea (%s)", name, strings.Join(top, ", "))
		}
	}
}
