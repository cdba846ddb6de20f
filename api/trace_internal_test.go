package api

import (
	"context"
	"net/http/httptest"
	"testing"

	"pinwright/internal/postgres"
)

func TestWithoutTracesNothingIsMadeForThem(t *testing.T) {
	s, e := &Server{}, &event{}
	r := httptest.NewRequest("GET", "/", nil)
	ctx := context.WithValue(t.Context(), eventContext{}, e)
	if n := testing.AllocsPerRun(100, func() {
		s.traceRequest(e, r, "GET", "/")
		tx := s.traceTransaction(ctx, true)
		trip := s.traceTrip(tx, postgres.Effecting, 3)
		s.endTrip(trip, "", nil)
		s.traceRetry(tx, "40001")
		s.endTransaction(tx, "committed")
		e.endTrace(200)
	}); n != 0 {
		t.Errorf("%v allocations for traces that nobody wants", n)
	}
}
