package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/config"
	"pinwright/internal/demo"
	"pinwright/internal/jobs"
	"pinwright/internal/localpg"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

const demoSynopsis = `demo [flags]

Starts a PostgreSQL of its own, loads an invented club, does the main job over
the HTTP API and tells each step, then serves on until Ctrl-C. A second start
keeps the data.
`

const demoDatabase = "pinwright_demo"

// demoFlags are the demo's own.
type demoFlags struct{ json, once, fresh bool }

func runDemo(ctx context.Context, call invocation) error {
	var f demoFlags
	cfg, args, err := call.parse(demoSynopsis, func(fs *flag.FlagSet) {
		fs.BoolVar(&f.json, "json", false, "print one line of JSON when ready, instead of the story")
		fs.BoolVar(&f.once, "once", false, "end after the job")
		fs.BoolVar(&f.fresh, "fresh", false, "start over with an empty database")
	})
	if err != nil {
		return err
	}
	if len(args) > 0 {
		return usageError{"takes flags only"}
	}
	story, log := call.stdout, slog.New(slog.NewTextHandler(call.stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	if f.json {
		story = io.Discard
	}
	dir := cfg.DataDir
	if dir == "" {
		if dir, err = localpg.KeptDir("demo"); err != nil {
			return err
		}
	}
	cluster, err := localpg.Open(ctx, localpg.Options{URL: cfg.AdminURL.Reveal(), Dir: dir, Only: localpg.Step(cfg.PostgresStep)})
	if err != nil {
		return err
	}
	// The cluster outlives ctx: requests finish first, then it is stopped.
	err = demoOn(ctx, call, cfg, f, cluster, story, log)
	return errors.Join(err, cluster.Stop())
}

func demoOn(ctx context.Context, call invocation, cfg config.Config, f demoFlags, cluster *localpg.Cluster, story io.Writer, log *slog.Logger) error {
	say := func(format string, args ...any) { fmt.Fprintf(story, format+"\n", args...) } // a closed terminal ends the process by itself
	say("Pinwright demo. %s.", cluster.How())
	if f.fresh {
		if err := dropDatabase(ctx, cluster.AdminURL()); err != nil {
			return err
		}
	}
	if err := schema.Install(ctx, cluster.AdminURL(), demoDatabase, schema.Passwords{}); err != nil {
		return err
	}
	ownerURL := cluster.URL(schema.Owner, demoDatabase, nil)
	if err := schema.Up(ctx, ownerURL, migrations.Files); err != nil {
		return err
	}
	owner, err := pgxpool.New(ctx, ownerURL)
	if err != nil {
		return err
	}
	defer owner.Close()
	if err := jobs.Migrate(ctx, ownerURL, log); err != nil {
		return err
	}
	s, err := open(ctx, cfg, cluster.URL(schema.App, demoDatabase, schema.AppSettings()), cluster.URL(schema.Jobs, demoDatabase, schema.JobsSettings()), log)
	if err != nil {
		return err
	}
	defer s.pool.Close()
	listener, err := listenNear(cfg.Addr)
	if err != nil {
		return err
	}
	base := "http://" + listener.Addr().String()
	serving, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- s.serve(serving, listener) }()
	finish := func(err error) error {
		stop()
		return errors.Join(err, <-ended)
	}
	club, err := demo.Read()
	if err != nil {
		return finish(err)
	}
	tokens, err := prepareClub(ctx, owner, club, base, say)
	if err != nil {
		return finish(err)
	}
	if err := club.Story(ctx, story, base, tokens); err != nil {
		return finish(err)
	}
	if f.json {
		if err := printReady(call.stdout, base, club, tokens); err != nil {
			return finish(err)
		}
	}
	if f.once {
		return finish(nil)
	}
	tryThis(say, base, club, tokens)
	select {
	case err := <-ended:
		stop()
		return err
	case <-ctx.Done():
		say("\nStopping.")
		return finish(nil)
	case <-cluster.Done():
		return finish(errors.New("the demo's PostgreSQL ended by itself; its log is " + cluster.LogPath()))
	}
}

// prepareClub founds and loads the club on the first start, and makes a day's
// tokens on every start; the last start's are revoked.
func prepareClub(ctx context.Context, owner *pgxpool.Pool, club demo.Club, base string, say func(string, ...any)) (demo.Tokens, error) {
	now := time.Now().UTC()
	founded, err := demo.Found(ctx, owner, club, now)
	if err != nil {
		return demo.Tokens{}, err
	}
	if !founded.Existed {
		if err := club.Load(ctx, base, founded.Officer, now); err != nil {
			return demo.Tokens{}, err
		}
		say("%s is loaded: %d garages, %d members, %d tools, %d vehicles.\n", club.Name, len(club.Garages), len(club.Members)+1, len(club.Tools), len(club.Vehicles))
	} else {
		say("%s is as you left it; -fresh starts over.\n", club.Name)
	}
	return demo.DayTokens(ctx, owner, club, founded, now)
}

// listenNear listens on addr, or on a free port beside it when somebody else
// has it.
func listenNear(addr string) (net.Listener, error) {
	l, err := net.Listen("tcp", addr)
	if err == nil || !errors.Is(err, syscall.EADDRINUSE) {
		return l, err
	}
	host, _, splitErr := net.SplitHostPort(addr)
	if splitErr != nil {
		return nil, err
	}
	return net.Listen("tcp", net.JoinHostPort(host, "0"))
}

func dropDatabase(ctx context.Context, adminURL string) error {
	c, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return fmt.Errorf("connect to start over: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing is left to do with it
	_, err = c.Exec(ctx, `drop database if exists `+demoDatabase+` with (force)`)
	return err
}

func printReady(w io.Writer, base string, club demo.Club, t demo.Tokens) error {
	return json.NewEncoder(w).Encode(map[string]any{
		"base_url": base, "club": club.Slug, "vehicle": club.Job.Vehicle, "joints": club.Job.Joints, "pin_series": club.Job.PinSeries,
		"tokens": map[string]string{"member": t.Member, "tool_keeper": t.ToolKeeper, "treasurer": t.Treasurer, "officer": t.Officer},
	})
}

// tryThis prints what a stranger can paste, again and again.
func tryThis(say func(string, ...any), base string, club demo.Club, t demo.Tokens) {
	at := base + "/v1/clubs/" + club.Slug
	key := `-H "Idempotency-Key: $(curl -s ` + base + `/v1/new-id)"`
	say("\nServing at %s (start page /, reference /reference). Tokens for a day, one a role:", base)
	for _, x := range [][2]string{{"member", t.Member}, {"tool_keeper", t.ToolKeeper}, {"treasurer", t.Treasurer}, {"officer", t.Officer}, {"auditor", t.Auditor}} {
		say("  %-12s %s", x[0], x[1])
	}
	say("\nTry, as often as you like (Ctrl-C stops):\n\nTOKEN=%s", t.Member)
	say("\n# post a reading: the next gauge does not go into the rusty hinge")
	say(`curl -s %s/readings -H "Authorization: Bearer $TOKEN" %s -H 'Content-Type: application/json' -d '{"vehicle":"%s","joint":"%s","gauge":"G-6","result":"no_go"}'`, at, key, club.Job.Vehicle, club.Job.Joints[0])
	say("\n# ask again: the answer has changed")
	joints, _ := json.Marshal(club.Job.Joints) //nolint:errchkjson // strings always marshal
	say(`curl -s %s/recommendations -H "Authorization: Bearer $TOKEN" %s -H 'Content-Type: application/json' -d '{"vehicle":"%s","joints":%s}'`, at, key, club.Job.Vehicle, joints)
	say("\n# look at it: open answer.svg in a browser")
	say(`curl -s "%[1]s/recommendations/$(curl -s "%[1]s/recommendations?limit=1" -H "Authorization: Bearer $TOKEN" | grep -o '"id":"[^"]*' | cut -c7-)/picture" -H "Authorization: Bearer $TOKEN" -o answer.svg`, at)
	say("\n# reserve the reamer and the puller for the next three days on which both are free")
	say(`curl -s %s/reservations -H "Authorization: Bearer $TOKEN" %s -H 'Content-Type: application/json' -d '{"lines":[{"tool_model":"reamer-9.250"},{"tool_model":"hinge-puller"}],"next_free_hours":72}'`, at, key)
}
