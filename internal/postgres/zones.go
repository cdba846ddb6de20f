package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// ZonesThatDiffer are those of the time zones called names of which this program
// and the database show another clock at some moment from from until until, in
// the order of names; a name that this program does not know is one of them. The rules come with the
// program or its machine here, with PostgreSQL's machine there, and governments change them:
// where the two are not of one edition, a garage opens at another moment for a rule in
// Go than for one in SQL. Asked are every week and both sides of every change that this
// program knows of.
func ZonesThatDiffer(ctx context.Context, db interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}, names []string, from, until time.Time) ([]string, error) {
	differs := map[string]bool{}
	var zones []string
	var moments []time.Time
	var seconds []int
	for _, name := range names {
		zone, err := time.LoadLocation(name)
		if err != nil {
			differs[name] = true
			continue
		}
		ask := func(t time.Time) {
			_, offset := t.In(zone).Zone()
			zones, moments, seconds = append(zones, name), append(moments, t), append(seconds, offset)
		}
		for t := from; t.Before(until); t = t.AddDate(0, 0, 7) {
			ask(t)
		}
		for t := from; ; {
			_, change := t.In(zone).ZoneBounds()
			if change.IsZero() || !change.Before(until) {
				break
			}
			ask(change.Add(-time.Second))
			ask(change)
			t = change
		}
	}
	rows, err := db.Query(ctx, `
		select distinct a.zone from unnest($1::text[], $2::timestamptz[], $3::integer[]) as a(zone, moment, seconds)
		where a.moment at time zone a.zone <> a.moment at time zone 'UTC' + make_interval(secs => a.seconds)`, zones, moments, seconds)
	if err != nil {
		return nil, fmt.Errorf("compare the rules of time zones: %w", err)
	}
	var name string
	if _, err := pgx.ForEachRow(rows, []any{&name}, func() error { differs[name] = true; return nil }); err != nil {
		return nil, fmt.Errorf("compare the rules of time zones: %w", err)
	}
	var out []string
	for _, name := range names {
		if differs[name] {
			out = append(out, name)
		}
	}
	return out, nil
}
