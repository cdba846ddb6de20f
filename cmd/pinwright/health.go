package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"pinwright/internal/backup"
)

const healthSynopsis = `health [-live | -backups FOLDER -within AGE] [flags]

Asks the service that serves on PINWRIGHT_ADDR of this machine whether it can
serve (/readyz), or with -live whether it lives (/healthz). Exits 0 when it
does; otherwise says what is wrong and exits 1. It is there for images without
a shell and for units that are started only when they can serve. With -backups
it looks instead whether the newest backup in that folder is young enough.
`

// askWait bounds one question. The service itself gives its database 2 s.
const askWait = 4 * time.Second

func health(ctx context.Context, call invocation) error {
	path, wait := "/readyz", time.Duration(0)
	backups, within := "", 26*time.Hour
	cfg, args, err := call.parse(healthSynopsis, func(fs *flag.FlagSet) {
		fs.BoolFunc("live", "ask whether the process lives, not whether it can serve", func(string) error {
			path = "/healthz"
			return nil
		})
		fs.DurationVar(&wait, "wait", wait, "ask again for so long, until it can")
		fs.StringVar(&backups, "backups", "", "folder whose newest backup is looked at, instead of asking the service")
		fs.DurationVar(&within, "within", within, "how old the newest backup may be")
	})
	if err != nil {
		return err
	}
	if len(args) > 0 || wait < 0 {
		return usageError{"takes flags only, and -wait is a time from 0"}
	}
	if backups != "" {
		return youngEnough(backups, within, time.Now())
	}
	host, port, err := net.SplitHostPort(cfg.Addr)
	if err != nil || port == "0" {
		return usageError{fmt.Sprintf("the address %s names no port that could be asked", cfg.Addr)}
	}
	if ip := net.ParseIP(host); host == "" || ip.IsUnspecified() {
		host = "localhost" // by whichever protocol it serves
	}
	url := "http://" + net.JoinHostPort(host, port) + path
	for end := time.Now().Add(wait); ; {
		err := askHealth(ctx, url)
		if err == nil || ctx.Err() != nil || !time.Now().Before(end) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// youngEnough is nil when the newest complete backup in the folder is young enough.
func youngEnough(folder string, within time.Duration, now time.Time) error {
	last, err := backup.Last(folder)
	switch age := now.Sub(last).Round(time.Second); {
	case err != nil:
		return err
	case last.IsZero():
		return fmt.Errorf("%s holds no backup", folder)
	case age > within:
		return fmt.Errorf("the newest backup in %s is %s old, more than %s", folder, age, within)
	}
	return nil
}

// askHealth is nil when the address answers 200; else the error tells which
// checks failed.
func askHealth(ctx context.Context, url string) error {
	ctx, cancel := context.WithTimeout(ctx, askWait)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	// Not the default transport: a proxy of the environment is none of this machine's.
	response, err := (&http.Transport{DisableKeepAlives: true}).RoundTrip(r)
	if err != nil {
		return fmt.Errorf("ask %s: %w", url, err)
	}
	defer response.Body.Close() //nolint:errcheck // read as far as it is wanted
	if response.StatusCode == http.StatusOK {
		return nil
	}
	var report struct{ Checks map[string]string }
	body, err := io.ReadAll(io.LimitReader(response.Body, 64<<10))
	if err == nil {
		err = json.Unmarshal(body, &report)
	}
	if err != nil {
		return fmt.Errorf("%s answers %s", url, response.Status)
	}
	var failed []string
	for check, why := range report.Checks {
		if why != "ok" {
			failed = append(failed, check+": "+why)
		}
	}
	slices.Sort(failed)
	return fmt.Errorf("%s answers %s: %s", url, response.Status, strings.Join(failed, "; "))
}
