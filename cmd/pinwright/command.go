package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"

	"pinwright/internal/config"
)

// command is one of the things the binary does. To add one, write its function
// in a file of its own and a line in commands.
type command struct {
	name     string
	synopsis string
	run      func(ctx context.Context, call invocation) error
}

// commands is a function, not a variable, because help lists it.
func commands() []command {
	return []command{
		{"demo", "do the main job with an invented club on a database of its own, then serve on", runDemo},
		{"serve", "serve the API on a migrated database", serve},
		{"club", "found a club, export it whole, or erase its names", clubCommand},
		{"install", "make the roles and the database on a server", install},
		{"migrate", "bring the database's tables up to date, or back", migrateDatabase},
		{"backup", "write a backup, once or again and again", backUp},
		{"restore", "load a backup into an empty database and verify it", restore},
		{"verify", "read the whole database and say what is wrong with it", verify},
		{"ledger", "read all books and name what is not as it was written", ledgerCommand},
		{"health", "ask the service on this machine whether it can serve, for an exit code", health},
		{"help", "list the commands, or the settings: help settings", help},
	}
}

// invocation is what a command was started with.
type invocation struct {
	name           string
	args           []string
	environ        []string // in the form of os.Environ
	stdout, stderr io.Writer
}

// usageError is a fault of the command line, which deserves the usage.
type usageError struct{ text string }

func (e usageError) Error() string { return e.text }

// Exit codes: 1 for work that failed, 2 for a command line that was wrong.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

// run finds and runs a command and returns the process's exit code.
func run(ctx context.Context, args, environ []string, stdout, stderr io.Writer) int {
	name := "help"
	if len(args) > 0 {
		name, args = args[0], args[1:]
	}
	switch name {
	case "-h", "-help", "--help":
		name = "help"
	}
	for _, c := range commands() {
		if c.name != name {
			continue
		}
		err := c.run(ctx, invocation{name: name, args: args, environ: environ, stdout: stdout, stderr: stderr})
		var usage usageError
		switch {
		case err == nil, errors.Is(err, flag.ErrHelp):
			return exitOK
		case errors.As(err, &usage):
			fmt.Fprintf(stderr, "pinwright %s: %v\nSee: pinwright %s -h\n", name, err, name)
			return exitUsage
		case ctx.Err() != nil && errors.Is(err, context.Canceled):
			fmt.Fprintf(stderr, "pinwright %s: stopped\n", name)
		default:
			fmt.Fprintf(stderr, "pinwright %s: %v\n", name, err)
		}
		return exitFailed
	}
	fmt.Fprintf(stderr, "pinwright: there is no command %q\n\n", name)
	listCommands(stderr)
	return exitUsage
}

// parse reads a command's flags and settings. declare adds the command's own
// flags and may be nil. synopsis stands at the head of the command's usage.
func (call invocation) parse(synopsis string, declare func(*flag.FlagSet), needs ...config.Need) (cfg config.Config, rest []string, err error) {
	fs := flag.NewFlagSet(call.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard) // run says what is wrong, once
	if declare != nil {
		declare(fs)
	}
	declared := config.Declare(fs)
	if err := fs.Parse(call.args); errors.Is(err, flag.ErrHelp) {
		fmt.Fprintf(call.stdout, "usage: pinwright %s\n", synopsis)
		fs.SetOutput(call.stdout)
		fs.PrintDefaults()
		return config.Config{}, nil, err
	} else if err != nil {
		return config.Config{}, nil, usageError{err.Error()}
	}
	cfg, err = declared.Load(call.environ, needs...)
	if err != nil {
		return config.Config{}, nil, err
	}
	for _, name := range cfg.Unknown {
		fmt.Fprintf(call.stderr, "pinwright: %s is no setting (see: pinwright help settings)\n", name)
	}
	return cfg, fs.Args(), nil
}

// logger logs as the settings say.
func (call invocation) logger(cfg config.Config) *slog.Logger {
	o := &slog.HandlerOptions{Level: cfg.LogLevel}
	if cfg.LogFormat == "text" {
		return slog.New(slog.NewTextHandler(call.stderr, o))
	}
	return slog.New(slog.NewJSONHandler(call.stderr, o))
}
