package main

import (
	"context"
	"math/rand/v2"
	"net/http"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"pinwright/internal/founding"
	"pinwright/internal/insist"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/specimen"
)

// millRow founds a club for a crowd to write into, and returns a joint of its.
func millRow(t *testing.T, db *pgtest.DB) (founding.Club, string) {
	t.Helper()
	club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "mill-row", Name: "Mill Row", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Bram Sedge"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	things, err := specimen.Fill(t.Context(), db.Owner, club.ClubID, "crowd")
	if err != nil {
		t.Fatal(err)
	}
	return club, things.ID["joint"].String()
}

// The service is killed at random moments under load and started again: what it
// acknowledged is there, once; what it did not acknowledge takes effect once
// when it is asked again.
func TestNothingAcknowledgedIsLostWhenTheServiceIsKilled(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, joint := millRow(t, db)
	kills := 5
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		kills = 200
	}
	p := start(t, db)
	var address atomic.Pointer[string]
	address.Store(&p.address)
	crowd := &insist.Crowd{Club: "mill-row", Token: club.Secret.Reveal(), Joint: joint,
		Send: insist.Over(&http.Client{Timeout: 5 * time.Second}, func() string { return *address.Load() })}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); crowd.Run(ctx, 8) }()
	for range kills {
		from := crowd.Acknowledged()
		waitFor(t, "writes to be acknowledged", func() bool { return crowd.Acknowledged() > from })
		time.Sleep(time.Duration(rand.Int64N(int64(150 * time.Millisecond))))
		if err := p.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		p.end(t)
		p = start(t, db)
		address.Store(&p.address)
	}
	stop()
	<-done
	t.Logf("%d kills: %v", kills, crowd)
	if err := crowd.Compare(t.Context(), db.Owner, club.ClubID); err != nil {
		t.Error(err)
	}
}
