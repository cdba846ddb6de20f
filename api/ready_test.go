package api_test

import (
	"net/http/httptest"
	"sync"
	"testing"

	"pinwright/internal/pgtest"
)

// Connections that are all at work are no reason for a balancer to look away;
// a database that is silent is one.
func TestAReplicaWhoseConnectionsAreAllAtWorkStaysReady(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	w := layWay(t, dialer(t, db.AppURL))
	k := newWorldOn(t, db, w.pool(t, db.AppURL))
	ready := func() int {
		rec := httptest.NewRecorder()
		k.handler.ServeHTTP(rec, httptest.NewRequestWithContext(t.Context(), "GET", "/readyz", nil))
		return rec.Code
	}
	k.do("GET", k.at("me"), k.officer, nil).want(200)
	// Each of four connections answers every 400 ms, and a line of thirty waits for
	// them: whoever asks for readiness would wait for longer than a probe does.
	mend := w.spoil(t, `{"type":"latency","stream":"downstream","attributes":{"latency":400,"jitter":0}}`)
	var line sync.WaitGroup
	stop := make(chan struct{})
	for range 30 {
		line.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					k.do("GET", k.at("me"), k.officer, nil)
				}
			}
		})
	}
	for range 4 {
		if got := ready(); got != 200 {
			t.Errorf("a busy replica is told to be not ready: %d", got)
		}
	}
	close(stop)
	line.Wait()
	mend()
	w.spoil(t, `{"type":"timeout","stream":"downstream","attributes":{"timeout":0}}`)
	for range 2 {
		ready() // waits for a second each, so that the last answer is older than two
	}
	if got := ready(); got != 503 {
		t.Errorf("a replica whose database is silent is told to be ready: %d", got)
	}
}
