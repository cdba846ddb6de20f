package migrations_test

import (
	"embed"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// describe lists everything the migrations make.
func describe(t *testing.T, pool *pgxpool.Pool) []string {
	t.Helper()
	lines, err := schema.Describe(t.Context(), pool)
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

var update = flag.Bool("update", false, "write described.txt anew")

// What the migrations make stands in described.txt as well: a review sees there
// what a migration really changes, and pinwright verify compares databases with
// it.
func TestDescriptionIsTrue(t *testing.T) {
	t.Parallel()
	have := describe(t, pgtest.New(t).Owner)
	if *update {
		if err := os.WriteFile("described.txt", []byte(strings.Join(have, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(migrations.Described(), have); diff != "" {
		t.Errorf("described.txt is not what the migrations make; look at the difference, then run\n  go test ./migrations -run TestDescriptionIsTrue -update\n(-described.txt +database):\n%s", diff)
	}
}

func TestUpDownAndUpAgainMakesTheVerySameSchema(t *testing.T) {
	t.Parallel()
	c := pgtest.Cluster(t)
	ctx := t.Context()
	name := fmt.Sprintf("updown_test_%d", time.Now().UnixNano())
	if err := schema.Install(ctx, c.AdminURL(), name, schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	admin, err := pgxpool.New(ctx, c.AdminURL())
	if err != nil {
		t.Fatal(err)
	}
	pool, err := pgxpool.New(ctx, c.URL(schema.Owner, name, nil))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		pool.Close()
		if _, err := admin.Exec(ctx, `drop database `+name+` with (force)`); err != nil {
			t.Error(err)
		}
		admin.Close()
	}()
	url := c.URL(schema.Owner, name, nil)
	newest, err := schema.Newest(migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	// The state after each single step up, to be met again on the way down.
	numbers, states := []int{0}, [][]string{describe(t, pool)}
	if len(states[0]) > 0 {
		t.Fatalf("an empty database already holds %v", states[0])
	}
	for n := 1; n <= newest; n++ {
		if names, err := fs.Glob(migrations.Files, fmt.Sprintf("%04d_*.up.sql", n)); err != nil || len(names) == 0 {
			continue // numbers may be left out
		}
		numbers = append(numbers, n)
		if err := schema.Up(ctx, url, upTo{migrations.Files, n}); err != nil {
			t.Fatal(err)
		}
		states = append(states, describe(t, pool))
	}
	last := len(states) - 1
	if last < 6 || len(states[last]) < 100 || !strings.HasPrefix(states[last][0], "column ") {
		t.Fatalf("only %d things after all migrations; the comparison would prove nothing", len(states[last]))
	}
	for i := last - 1; i >= 0; i-- {
		if err := schema.Down(ctx, url, migrations.Files, 1); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(states[i], describe(t, pool)); diff != "" {
			t.Errorf("down to %d, against up to %d (-up +down):\n%s", numbers[i], numbers[i], diff)
		}
	}
	if err := schema.Up(ctx, url, migrations.Files); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(states[last], describe(t, pool)); diff != "" {
		t.Errorf("up again, against the first time (-first +again):\n%s", diff)
	}
}

// upTo is files without the migrations behind number n.
type upTo struct {
	files embed.FS
	n     int
}

func (u upTo) hides(name string) bool {
	number, err := strconv.Atoi(strings.SplitN(name, "_", 2)[0])
	return err == nil && number > u.n
}

func (u upTo) Open(name string) (fs.File, error) {
	if u.hides(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return u.files.Open(name)
}

func (u upTo) ReadDir(name string) ([]fs.DirEntry, error) {
	all, err := u.files.ReadDir(name)
	return slices.DeleteFunc(all, func(e fs.DirEntry) bool { return u.hides(e.Name()) }), err
}
