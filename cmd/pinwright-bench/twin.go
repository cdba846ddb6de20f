package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// recorder notes what one request asks of the database, while it is on.
type recorder struct {
	mu      sync.Mutex
	on      bool
	batches [][]statement
}

type statement struct {
	sql  string
	args []any
}

func (r *recorder) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return ctx
}
func (r *recorder) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TraceBatchStart notes the statements that travel together.
func (r *recorder) TraceBatchStart(ctx context.Context, _ *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.on {
		var batch []statement
		for _, q := range data.Batch.QueuedQueries {
			batch = append(batch, statement{q.SQL, q.Arguments})
		}
		r.batches = append(r.batches, batch)
	}
	return ctx
}
func (r *recorder) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (r *recorder) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

// record returns what ask asks of the database.
func (r *recorder) record(ask func() error) ([][]statement, error) {
	r.mu.Lock()
	r.on, r.batches = true, nil
	r.mu.Unlock()
	err := ask()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.on = false
	return r.batches, err
}

// script writes a pgbench script that asks the same statements in the same
// round trips. Arguments that were equal in both recordings stay; of those that
// differed, ids become fresh ids (equal ones equal), times move with the turn,
// and the rest stays as it was first. own maps values to expressions of
// pgbench's variables.
func script(first, second [][]statement, own map[string]string) (string, error) {
	var out strings.Builder
	// pgbench prepares everything before its first statement, which it cannot do
	// within a pipeline.
	out.WriteString("\\set n :n + 1\n\\set m :n + 100000 * :turn\n\\if :n = 1\nselect 1;\n\\endif\n")
	fresh := map[string]string{}
	for b, batch := range first {
		if b >= len(second) || len(second[b]) != len(batch) {
			return "", fmt.Errorf("two equal requests asked different things of the database")
		}
		out.WriteString("\\startpipeline\n")
		for i, s := range batch {
			exprs := make([]string, len(s.args))
			for a, arg := range s.args {
				exprs[a] = expression(arg, second[b][i].args[a], own, fresh)
			}
			if m := headers.FindStringSubmatch(s.sql); m != nil { // bytes that go into a column of type jsonb
				if n, err := strconv.Atoi(m[1]); err == nil && n <= len(exprs) {
					exprs[n-1] = "convert_from(" + exprs[n-1] + ", 'UTF8')::jsonb"
				}
			}
			sql := placeholder.ReplaceAllStringFunc(strings.Join(strings.Fields(s.sql), " "), func(p string) string {
				n, err := strconv.Atoi(p[1:])
				if err != nil || n > len(exprs) {
					return p
				}
				return exprs[n-1]
			})
			out.WriteString(noVariable.ReplaceAllString(sql, `E'$1\x3a$2'`) + ";\n")
		}
		out.WriteString("\\endpipeline\n")
	}
	return out.String(), nil
}

// noVariable finds a statement's own literal with a colon, which pgbench would
// take for the beginning of one of its variables.
var noVariable = regexp.MustCompile(`'([0-9A-Z]+):([0-9A-Z]+)'`)

var headers = regexp.MustCompile(`headers = \$(\d+)`)

var placeholder = regexp.MustCompile(`\$\d+`)

func expression(arg, other any, own, fresh map[string]string) string {
	v := reflect.ValueOf(arg)
	if !v.IsValid() || v.Kind() == reflect.Pointer && v.IsNil() {
		return "NULL"
	}
	o := reflect.ValueOf(other)
	if v.Kind() == reflect.Pointer {
		if !o.IsValid() || o.IsNil() {
			return expression(v.Elem().Interface(), v.Elem().Interface(), own, fresh)
		}
		return expression(v.Elem().Interface(), o.Elem().Interface(), own, fresh)
	}
	switch a := arg.(type) {
	case uuid.UUID:
		if e, ok := own[a.String()]; ok {
			return e
		}
		if b, ok := other.(uuid.UUID); ok && a != b {
			if fresh[a.String()] == "" {
				fresh[a.String()] = fmt.Sprintf("('%08x-0000-7000-'||lpad(to_hex(:client_id::int + 32768),4,'0')||'-'||lpad(to_hex(:m::bigint),12,'0'))::uuid", len(fresh)+1)
			}
			return fresh[a.String()]
		}
		return "'" + a.String() + "'::uuid"
	case time.Time:
		text := "'" + a.UTC().Format("20060102T150405.000000Z") + "'::timestamptz"
		if b, ok := other.(time.Time); ok && b.Sub(a) >= 30*time.Minute { // a wanted period, not the time of the request
			return "(" + text + " + (:m::bigint + 10000) * interval '1 hour')"
		}
		return text
	case string:
		if e, ok := own[a]; ok {
			return e
		}
		return quote(a)
	case []byte:
		return `'\x` + hex.EncodeToString(a) + "'::bytea"
	}
	switch v.Kind() {
	case reflect.Slice:
		var parts []string
		for i := range v.Len() {
			twin := v.Index(i).Interface()
			if o.Kind() == reflect.Slice && i < o.Len() {
				twin = o.Index(i).Interface()
			}
			parts = append(parts, expression(v.Index(i).Interface(), twin, own, fresh))
		}
		return "array[" + strings.Join(parts, ",") + "]" + arrayType(v.Type().Elem())
	case reflect.String:
		return quote(v.String())
	default:
		return fmt.Sprint(arg)
	}
}

func arrayType(of reflect.Type) string {
	switch of {
	case reflect.TypeFor[uuid.UUID](), reflect.TypeFor[*uuid.UUID]():
		return "::uuid[]"
	case reflect.TypeFor[time.Time](), reflect.TypeFor[*time.Time]():
		return "::timestamptz[]"
	case reflect.TypeFor[[]byte]():
		return "::bytea[]"
	}
	switch of.Kind() {
	case reflect.Int, reflect.Int16, reflect.Int32, reflect.Int64:
		return "::bigint[]"
	case reflect.Bool:
		return "::boolean[]"
	default:
		return "::text[]"
	}
}

func quote(s string) string {
	return "E'" + strings.NewReplacer("'", "''", `\`, `\\`, ":", `\x3a`).Replace(s) + "'"
}

var (
	tps    = regexp.MustCompile(`tps = ([0-9.]+)`)
	failed = regexp.MustCompile(`number of failed transactions: (\d+)`)
)

// pgbench runs a script for that long and returns the transactions a second.
func (s *stage) pgbench(script string, d time.Duration) (float64, error) {
	s.turn++
	path := filepath.Join(s.dir, "twin.sql")
	if err := os.WriteFile(path, []byte(script), 0o600); err != nil {
		return 0, err
	}
	cmd := exec.CommandContext(context.Background(), s.pgbenchPath, "-n", "-M", "prepared", "-c", strconv.Itoa(poolSize), "-j", "1", //nolint:gosec // found on this machine
		"-T", strconv.Itoa(max(1, int(d.Seconds()))), "-D", "n=0", "-D", "turn="+strconv.Itoa(s.turn), "-f", path, s.libpqURL)
	out, err := cmd.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("pgbench: %w\n%s", err, out)
	}
	m := tps.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("pgbench printed no tps:\n%s", out)
	}
	if f := failed.FindSubmatch(out); f != nil && string(f[1]) != "0" {
		return 0, fmt.Errorf("pgbench had failed transactions:\n%s", out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}
