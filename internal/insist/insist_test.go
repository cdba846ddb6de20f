package insist

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A service that acknowledges and keeps nothing must be found out.
func TestWhatWasAcknowledgedAndIsNotThereIsTold(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "ash-court", Name: "Ash Court", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Tamsin Oake"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	tries := map[string]int{}
	c := &Crowd{Club: "ash-court", Joint: uuid.NewString(), Send: func(r *http.Request) (Answer, error) {
		key := r.Header.Get("Idempotency-Key")
		if tries[key]++; tries[key] < 3 {
			return Answer{Status: 503, Header: http.Header{"Retry-After": {"1"}}}, nil
		}
		return Answer{Status: 201}, nil
	}}
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		for c.Acknowledged() < 8 {
			time.Sleep(time.Millisecond)
		}
		cancel()
	}()
	c.Run(ctx, 1)
	err = c.Compare(t.Context(), db.Owner, club.ClubID)
	for _, want := range []string{"the reading 9000001 is there 0 times", "the garage insist-4 is there 0 times", "acknowledged writes"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("told %v, want %q", err, want)
		}
	}
	if len(tries) == 0 || c.unavailable.Load() < 16 {
		t.Errorf("%v: a request was not sent again with its key", c)
	}
}

func TestAnAnswerThatAsksForNothingIsAFault(t *testing.T) {
	t.Parallel()
	for _, answer := range []Answer{{Status: 500, Body: []byte("boom")}, {Status: 503}, {Status: 422, Header: http.Header{"Retry-After": {"1"}}}} {
		ctx, cancel := context.WithCancel(t.Context())
		c := &Crowd{Send: func(*http.Request) (Answer, error) { cancel(); return answer, nil }}
		c.Run(ctx, 1)
		if len(c.wrong) != 1 {
			t.Errorf("%d was taken: %v", answer.Status, c.wrong)
		}
	}
}
