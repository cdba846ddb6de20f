package pgtest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
)

func TestDatabasesOfKilledRunsAreDroppedOthersAreNot(t *testing.T) {
	t.Parallel()
	c := Cluster(t)
	ctx := t.Context()
	now := time.Now()
	stale := fmt.Sprintf("pinwright_test_%d_7_1", now.Add(-staleAfter-time.Minute).Unix())
	staleTemplate := fmt.Sprintf("pinwright_test_%d_7_template", now.Add(-staleAfter-time.Minute).Unix())
	running := fmt.Sprintf("pinwright_test_%d_7_1", now.Unix())
	foreign := fmt.Sprintf("pinwright_test_of_a_person_%d", now.UnixNano())
	names := []string{stale, staleTemplate, running, foreign}
	for _, name := range names {
		if _, err := withAdmin(ctx, c, func(conn *pgx.Conn) (struct{}, error) {
			_, err := conn.Exec(ctx, `CREATE DATABASE `+name)
			return struct{}{}, err
		}); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := drop(context.Background(), c, name); err != nil {
				t.Error(err)
			}
		})
	}
	if err := dropStale(ctx, c, now); err != nil {
		t.Fatal(err)
	}
	left, err := withAdmin(ctx, c, func(conn *pgx.Conn) ([]string, error) {
		rows, err := conn.Query(ctx, `SELECT datname FROM pg_database WHERE datname = ANY ($1) ORDER BY array_position($1, datname::text)`, names)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, pgx.RowTo[string])
	})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{running, foreign}, left); diff != "" {
		t.Errorf("databases left (-want +got):\n%s", diff)
	}
}
