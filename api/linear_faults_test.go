package api_test

import (
	"fmt"
	"testing"
	"time"

	"pinwright/api"
)

// disturbance is what happens to the way to the database, or to the database, once
// so many operations of a round were answered.
type disturbance struct {
	after  int64
	strike func()
}

// disturbed plays a round while it is disturbed.
func (c *crew) disturbed(t *testing.T, play func() history, by ...disturbance) history {
	t.Helper()
	played := make(chan history, 1)
	from := c.answered.Load()
	go func() { played <- play() }()
	for _, d := range by {
		for c.answered.Load() < from+d.after {
			select {
			case h := <-played:
				t.Errorf("the round was over before its operation %d", d.after)
				return h
			case <-time.After(time.Millisecond):
			}
		}
		d.strike()
	}
	return <-played
}

// Histories stay linearizable while connections are cut, before and after what they
// carried was done, and PostgreSQL is killed and started again. Everybody sends a
// request again, with its key, until it is answered, so an operation lasts from its
// first sending to that answer and hardly any stays open: one that does may have
// happened at any time since, and with many of those no checker comes to an end.
func TestLendingIsLinearizableWhileConnectionsAreCutAndPostgresIsKilled(t *testing.T) {
	t.Parallel()
	server := newKillable(t)
	pool := server.pool(t, server.db.AppURL)
	w := newWorldOn(t, server.db, pool, func(o *api.Options) { o.Limits.Request = 2 * time.Second })
	c := newCrew(w)
	c.insists = true
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	cut := func(toxic string) func() {
		return func() {
			mend := server.spoil(t, toxic)
			time.Sleep(50 * time.Millisecond)
			mend()
		}
	}
	const (
		atOnce = `{"type":"reset_peer","stream":"downstream","attributes":{"timeout":0}}`
		midway = `{"type":"limit_data","stream":"downstream","attributes":{"bytes":3000}}` // in the midst of an answer
		spent  = `{"type":"timeout","stream":"downstream","attributes":{"timeout":20}}`    // swallows answers, of commits too, then cuts
		unsent = `{"type":"limit_data","stream":"upstream","attributes":{"bytes":3000}}`   // in the midst of statements
	)
	kill := func() { server.killAndStart(t) }
	again := func() { // what is broken is not met by the next round's preparation
		server.db.Owner.Reset()
		pool.Reset()
	}
	done := 0
	n := rounds(1, 10)
	for n := range n {
		again()
		c.stock(seed+uint64(2*n), eightTools)
		h := c.disturbed(t, func() history { return c.round(seed+uint64(2*n), 14, eightTools, true) },
			disturbance{60, cut(atOnce)}, disturbance{120, cut(spent)}, disturbance{180, kill}, disturbance{270, cut(unsent)}, disturbance{330, cut(midway)})
		done += len(h.calls)
		for tool, one := range h.ofTools() {
			one.hold(t, fmt.Sprintf("round %d, tool %s", n, tool))
		}
		// An operation lasts as long as a fault, and of those on a kit all order has to be
		// found at once: with a few under way the checker comes to an end.
		c.slots = make(chan struct{}, 8)
		again()
		c.stock(seed+uint64(2*n)+1, kitSets)
		h = c.disturbed(t, func() history { return c.round(seed+uint64(2*n)+1, 2, kitSets, false) },
			disturbance{10, cut(spent)}, disturbance{25, kill})
		done += len(h.calls)
		h.hold(t, fmt.Sprintf("round %d, kit", n))
		c.slots = nil
	}
	again()
	w.wantNothingPromisedTwice()
	if c.repeated.Load() < int64(10*n) {
		t.Errorf("only %d requests had to be sent again: hardly anything was disturbed", c.repeated.Load())
	}
	t.Logf("%d operations of %d clients, %d requests sent again, %d operations without an answer", done, linearClients, c.repeated.Load(), c.unknown)
}
