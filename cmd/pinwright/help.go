package main

import (
	"context"
	"fmt"
	"io"

	"pinwright/internal/config"
)

func help(_ context.Context, call invocation) error {
	switch {
	case len(call.args) == 0:
		listCommands(call.stdout)
	case len(call.args) == 1 && call.args[0] == "settings":
		fmt.Fprint(call.stdout, "Settings of the environment and, but for secrets, of flags; a flag wins.\n\n", config.Document())
	case len(call.args) == 1 && call.args[0] != "help":
		call.name, call.args = call.args[0], []string{"-h"}
		for _, c := range commands() {
			if c.name == call.name {
				return c.run(context.Background(), call)
			}
		}
		return usageError{fmt.Sprintf("there is no command %q", call.name)}
	default:
		return usageError{"want nothing, settings, or the name of a command"}
	}
	return nil
}

func listCommands(w io.Writer) {
	fmt.Fprint(w, "usage: pinwright <command> [flags]\n\nCommands:\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-10s %s\n", c.name, c.synopsis)
	}
	fmt.Fprint(w, "\nFlags of a command: pinwright <command> -h\n")
}
