package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
	"pinwright/internal/access"
	"pinwright/internal/founding"
	"pinwright/internal/localpg"
	"pinwright/internal/postgres"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// poolSize is the service's default, and as many connections has pgbench.
const poolSize = 4

// database is the name of the stage's database.
const database = "pinwright_bench"

// tools is how many tools each client of a load has for itself.
const tools = 8

// stage is a service on a private cluster with a club in it.
type stage struct {
	dir, libpqURL, pgbenchPath string
	turn                       int // of pgbench, so that no run meets another's ids

	cluster  *localpg.Cluster
	owner    *pgxpool.Pool
	pool     *pgxpool.Pool
	recorder *recorder
	address  string
	club     founding.Club
	secret   access.Secret
	joint    uuid.UUID
	feature  uuid.UUID
	version  string // of PostgreSQL
	close    []func()
}

// set makes a stage in dir. The cluster is a kept one: it syncs to disk as a
// real one does.
func set(ctx context.Context, dir string) (_ *stage, err error) {
	s := &stage{dir: dir, recorder: &recorder{}}
	defer func() {
		if err != nil {
			s.strike()
		}
	}()
	if s.pgbenchPath, err = findPgbench(); err != nil {
		return s, err
	}
	if s.cluster, err = localpg.Open(ctx, localpg.Options{Dir: filepath.Join(dir, "cluster"), Settings: map[string]string{
		"max_connections": "100", "shared_buffers": "512MB", "max_wal_size": "4GB", "checkpoint_timeout": "30min"}}); err != nil {
		return s, err
	}
	s.close = append(s.close, func() { _ = s.cluster.Stop() })
	if err = schema.Install(ctx, s.cluster.AdminURL(), database, schema.Passwords{}); err != nil {
		return s, err
	}
	ownerURL := s.cluster.URL(schema.Owner, database, nil)
	if err = schema.Up(ctx, ownerURL, migrations.Files); err != nil {
		return s, err
	}
	if s.owner, err = pgxpool.New(ctx, ownerURL); err != nil {
		return s, err
	}
	s.close = append(s.close, s.owner.Close)
	appURL := s.cluster.URL(schema.App, database, schema.AppSettings())
	cfg, err := pgxpool.ParseConfig(appURL)
	if err != nil {
		return s, err
	}
	s.libpqURL = libpq(cfg.ConnConfig)
	cfg.MaxConns = poolSize
	cfg.ConnConfig.Tracer = s.recorder
	if s.pool, err = pgxpool.NewWithConfig(ctx, cfg); err != nil {
		return s, err
	}
	s.close = append(s.close, s.pool.Close)
	if err = s.owner.QueryRow(ctx, `show server_version`).Scan(&s.version); err != nil {
		return s, err
	}
	if err = s.fill(ctx); err != nil {
		return s, err
	}
	server, err := api.New(api.Options{Pool: s.pool, Log: slog.New(slog.NewJSONHandler(io.Discard, nil)), PoolWait: 3 * time.Second, Limits: api.Limits{Body: 1 << 20, Request: 12 * time.Second}})
	if err != nil {
		return s, err
	}
	s.address, err = s.serve(server.Handler())
	return s, err
}

func (s *stage) strike() {
	for i := len(s.close) - 1; i >= 0; i-- {
		s.close[i]()
	}
}

// serve serves a handler as the command does.
func (s *stage) serve(h http.Handler) (string, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute}
	go func() { _ = server.Serve(listener) }() // ends with Close below
	s.close = append(s.close, func() { _ = server.Close() })
	return listener.Addr().String(), nil
}

// libpq is the connection as pgbench takes it.
func libpq(c *pgx.ConnConfig) string {
	options := []string{}
	for name, value := range c.RuntimeParams {
		options = append(options, "-c "+name+"="+strings.ReplaceAll(value, " ", `\ `))
	}
	return fmt.Sprintf("host='%s' port=%d user=%s dbname=%s options='%s'", c.Host, c.Port, c.User, c.Database, strings.Join(options, " "))
}

// findPgbench finds pgbench on the path or beside Debian's server binaries.
func findPgbench() (string, error) {
	if path, err := exec.LookPath("pgbench"); err == nil {
		if _, wrapped := os.Stat("/usr/share/postgresql-common/pg_wrapper"); wrapped != nil { // Debian's wrapper wants a cluster of its own
			return path, nil
		}
	}
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/pgbench")
	if err != nil || len(found) == 0 {
		return "", errors.New("pgbench is not on this machine; it comes with PostgreSQL's server package (apt-get install postgresql)")
	}
	return found[len(found)-1], nil
}

// fill founds a club with what the loads ask for.
func (s *stage) fill(ctx context.Context) error {
	now := time.Now()
	var err error
	if s.club, err = founding.Create(ctx, &postgres.DB{Pool: s.owner}, founding.Charter{Slug: "quarry-bank", Name: "Quarry Bank", Currency: "EUR", Units: "mm",
		OfficerNumber: "M1", OfficerName: "Ines Calder"}, now); err != nil {
		return err
	}
	s.secret = s.club.Secret
	var b pgx.Batch
	id := func() uuid.UUID { return uuid.Must(uuid.NewV7()) }
	club, garage, model, vehicle := s.club.ClubID, id(), id(), id()
	s.joint, s.feature = id(), id()
	b.Queue(`update token set used_on = '2126-01-01' where club_id = $1`, club) // noting it is not what is measured
	b.Queue(`update club set turnaround_hours = 0 where club_id = $1`, club)
	b.Queue(`insert into garage (club_id, id, code, name, time_zone, opens, closes) values ($1, $2, 'north', 'North Shed', 'UTC', '00:00', '24:00')`, club, garage)
	b.Queue(`insert into tool_model (club_id, id, code, name, kind, size_nm) values ($1, $2, 'reamer-9', 'Reamer', 'reamer', 9000000)`, club, model)
	b.Queue(`insert into lending_rule (club_id, at_once) values ($1, 100000)`, club) // one member makes them all
	b.Queue(`insert into tool (club_id, id, number, model_id, garage_id) select $1, ('00000000-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, 'B-' || n, $2, $3 from generate_series(0, $4) n`,
		club, model, garage, 64*tools)
	b.Queue(`insert into vehicle (club_id, id, code, name, member_id) values ($1, $2, 'tourer', 'Tourer', $3)`, club, vehicle, s.club.OfficerID)
	b.Queue(`insert into joint (club_id, id, vehicle_id, position, template_id) select $1, $2, $3, 'front-left-upper', id from joint_template where club_id = $1 limit 1`, club, s.joint, vehicle)
	b.Queue(`insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, nominal_nm, usual) values ($1, $2, $3, 0, 'bore', 'bore', 'running', 9000000, true)`, club, s.feature, s.joint)
	if err := s.owner.SendBatch(ctx, &b).Close(); err != nil {
		return fmt.Errorf("fill: %w", err)
	}
	return s.settle()
}

// settle does what a server does by itself within its first minutes: it looks
// how much is in the tables now, so that no plan stays that was made for empty
// ones.
func (s *stage) settle() error {
	_, err := s.owner.Exec(context.Background(), `analyze`)
	return err
}

// request is the wire form of a request to the stage's club.
func (s *stage) request(method, path, body string, headers ...string) []byte {
	var out strings.Builder
	fmt.Fprintf(&out, "%s /v1/clubs/quarry-bank/%s HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer %s\r\n", method, path, s.secret.Reveal())
	for _, h := range headers {
		out.WriteString(h + "\r\n")
	}
	if body != "" {
		fmt.Fprintf(&out, "Content-Type: application/json\r\nContent-Length: %d\r\n", len(body))
	}
	out.WriteString("\r\n" + body)
	return []byte(out.String())
}

// once sends one request and returns the answer's size, headers and status as
// the wire shows them.
func once(address string, request []byte) (string, error) {
	conn, err := new(net.Dialer).DialContext(context.Background(), "tcp", address)
	if err != nil {
		return "", err
	}
	defer conn.Close() //nolint:errcheck // read as far as it is wanted
	if _, err := conn.Write(request); err != nil {
		return "", err
	}
	_ = conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	buffer := make([]byte, 64<<10)
	n, err := conn.Read(buffer)
	return string(buffer[:n]), err
}

func machine(s *stage) string {
	model := "unknown processor"
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	return fmt.Sprintf("%d × %s, %s %s/%s, PostgreSQL %s (%s)", runtime.NumCPU(), model, runtime.Version(), runtime.GOOS, runtime.GOARCH, s.version, s.cluster.Step())
}
