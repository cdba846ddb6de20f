package api_test

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// The record is what a careful keeper would know of the shelf from a sheet of
// paper: who is promised which tool and for how long, what is out, what is out of
// service. Every tool lives at one garage that never closes, and is cleaned for
// two hours.
type record struct {
	now      time.Time
	models   map[string][]string // the tools of each, by number
	model    map[string]string   // by tool
	state    map[string]string   // by tool
	promises []*promise
	line     []*waiter // of who waits, in the order of joining
	lates    int       // how often a loan was found late
}

const (
	cleaning   = turnaround * time.Hour
	mostAtOnce = 6
	warnedFor  = 7 * 24 * time.Hour
)

// promise is one line of a reservation.
type promise struct {
	reservation                      string
	line, member                     int
	tool                             string
	from, until, heldFrom, heldUntil time.Time
	state, endangered                string
	loan                             string // its open loan
	late                             bool
	offered                          bool // to who waits, who has not said yes
	choice                           int  // it stands for another line of that choice, numbered from 1; 0: it is none
	decideBy                         time.Time
}

func (p *promise) String() string {
	at := func(t time.Time) string { return t.UTC().Format("0102T150405.000000") }
	choice := ""
	if p.choice > 0 && p.state == "reserved" {
		choice = " a choice until " + at(p.decideBy)
	}
	return fmt.Sprintf("%s/%d %s %s–%s held %s–%s %s %s%s", p.reservation, p.line, p.tool, at(p.from), at(p.until), at(p.heldFrom), at(p.heldUntil), p.state, p.endangered, choice)
}

// is reports whether p and q say the same, as far as it still matters.
func (p *promise) is(q *promise) bool {
	return p.reservation == q.reservation && p.line == q.line && p.tool == q.tool && p.state == q.state && p.endangered == q.endangered && p.loan == q.loan &&
		p.from.Equal(q.from) && p.until.Equal(q.until) && p.heldFrom.Equal(q.heldFrom) && p.heldUntil.Equal(q.heldUntil) &&
		(p.state != "out" || p.late == q.late) && (p.state != "reserved" || p.choice == q.choice && (p.choice == 0 || p.decideBy.Equal(q.decideBy)))
}

// holds reports whether p keeps its tool from others for some of the stretch. A
// tool that should be back is held until it could be clean if it came now.
func (r *record) holds(p *promise, from, until time.Time) bool {
	if p.state == "cancelled" || p.state == "lost" {
		return false
	}
	held := p.heldUntil
	if p.state == "out" && p.until.Before(r.now) {
		held = r.now.Add(p.heldUntil.Sub(p.until))
	}
	return p.heldFrom.Before(until) && from.Before(held)
}

// free reports whether tool can be promised for the period, cleaning included, to
// whoever gives up the promises left out.
func (r *record) free(tool string, from, until time.Time, without ...*promise) bool {
	if r.state[tool] != "in_service" {
		return false
	}
	return !slices.ContainsFunc(r.promises, func(p *promise) bool {
		return p.tool == tool && !slices.Contains(without, p) && r.holds(p, from, until.Add(cleaning))
	})
}

// servable reports whether all of wants can be served at once in one period by
// tools of their own, by trying every choice. Each want lists what would do.
func (r *record) servable(wants [][]string, from, until time.Time, without ...*promise) bool {
	var try func(i int, used []string) bool
	try = func(i int, used []string) bool {
		if i == len(wants) {
			return true
		}
		for _, tool := range wants[i] {
			if !slices.Contains(used, tool) && r.free(tool, from, until, without...) && try(i+1, append(slices.Clone(used), tool)) {
				return true
			}
		}
		return false
	}
	return try(0, nil)
}

// open counts what a member has reserved or out.
func (r *record) open(member int) int {
	n := 0
	for _, p := range r.promises {
		if p.member == member && (p.state == "out" || p.state == "reserved" && p.until.After(r.now)) {
			n++
		}
	}
	return n
}

func (r *record) of(reservation string) []*promise {
	var out []*promise
	for _, p := range r.promises {
		if p.reservation == reservation {
			out = append(out, p)
		}
	}
	return out
}

// loanOf is the promise by which a tool is out; nil when it is in the house.
func (r *record) loanOf(tool string) *promise {
	i := slices.IndexFunc(r.promises, func(p *promise) bool { return p.tool == tool && p.state == "out" })
	if i < 0 {
		return nil
	}
	return r.promises[i]
}

// inTheWay are the promises of tool that keep it from who stands at the counter:
// not what waits for cleaning only.
func (r *record) inTheWay(tool string, own, gone *promise, from, until time.Time) []*promise {
	var out []*promise
	for _, p := range r.promises {
		if p.tool != tool || p == own || p == gone || p.state == "cancelled" || p.state == "lost" || p.state == "returned" && !p.until.After(from) {
			continue
		}
		if p.heldFrom.Before(until) && from.Before(p.heldUntil) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b *promise) int { return a.heldFrom.Compare(b.heldFrom) })
	return out
}

// collects decides how a member gets a tool over the counter at a time: by which
// promise, or until when without one; false when not. gone is a loan that ends by
// it.
func (r *record) collects(member int, tool string, at, wanted time.Time, gone *promise) (by *promise, until time.Time, ok bool) {
	for _, p := range r.promises {
		if p.tool == tool && p.member == member && p.state == "reserved" && p.until.After(at) && !p.from.After(at.Add(24*time.Hour)) && (by == nil || p.from.Before(by.from)) {
			by = p
		}
	}
	if r.state[tool] != "in_service" || by != nil && by.offered {
		return by, until, false
	}
	if out := r.loanOf(tool); out != nil && out != gone {
		return by, until, false
	}
	if by != nil {
		return by, by.until, !by.from.After(at) || len(r.inTheWay(tool, by, gone, at, by.heldFrom)) == 0
	}
	until = wanted
	if len(r.inTheWay(tool, nil, gone, at, at.Add(time.Microsecond))) > 0 {
		return nil, until, false
	}
	for _, p := range r.inTheWay(tool, nil, gone, at, until.Add(cleaning)) {
		if latest := p.heldFrom.Add(-cleaning); latest.Before(until) {
			until = latest
		}
	}
	return nil, until, !until.Before(at.Add(time.Hour))
}

// decide keeps p of its choice and gives the others up.
func (r *record) decide(p *promise) (givenUp []*promise) {
	for _, q := range r.of(p.reservation) {
		if q != p && p.choice > 0 && q.choice == p.choice && q.state == "reserved" {
			q.state = "cancelled"
			givenUp = append(givenUp, q)
		}
	}
	p.choice = 0
	return givenUp
}

// decideOverdue keeps the first of each choice whose time is over.
func (r *record) decideOverdue() {
	for _, p := range r.promises {
		if p.choice > 0 && p.state == "reserved" && !p.decideBy.After(r.now) {
			r.decide(p)
		}
	}
}

// goes is what a handout does to the promise by which a tool goes.
func (r *record) goes(p *promise, at time.Time) {
	for _, q := range r.promises {
		if q.tool == p.tool && q.state == "returned" && !q.until.After(at) && q.heldUntil.After(at) {
			q.heldUntil = at // whoever has it in hand does not wait for its cleaning
		}
	}
	if p.from.After(at) {
		p.from = at
	}
	if p.heldFrom.After(at) {
		p.heldFrom = at
	}
	r.decide(p)
	p.state, p.endangered, p.late = "out", "", false
}

// comes is what a return does: the tool is held until it is clean, or until
// somebody else is promised it.
func (r *record) comes(p *promise, at time.Time) {
	due := p.until
	if at.Before(p.until) {
		p.until = latest(at, p.from.Add(time.Microsecond))
	}
	clean := at.Add(cleaning)
	if clean.After(p.heldUntil) && at.After(due) {
		until := clean
		for _, q := range r.promises {
			if q.tool == p.tool && q != p && q.state != "cancelled" && q.state != "lost" && q.heldUntil.After(p.heldUntil) && latest(q.heldFrom, p.heldUntil).Before(until) {
				until = latest(q.heldFrom, p.heldUntil)
			}
		}
		p.heldUntil = until
	} else if clean.Before(p.heldUntil) {
		p.heldUntil = clean
	}
	p.heldUntil = latest(p.heldUntil, p.until)
	p.state, p.loan = "returned", ""
}

// safe takes warnings for those reasons back.
func (r *record) safe(tool string, reasons ...string) {
	for _, p := range r.promises {
		if p.tool == tool && p.state == "reserved" && slices.Contains(reasons, p.endangered) {
			p.endangered = ""
		}
	}
}

// later are the promises of tool that are still to be kept, in the order of time.
func (r *record) later(tool string) []*promise {
	var out []*promise
	for _, p := range r.promises {
		if p.tool == tool && p.state == "reserved" && p.until.After(r.now) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b *promise) int {
		return cmp.Or(a.heldFrom.Compare(b.heldFrom), cmp.Compare(a.reservation, b.reservation), cmp.Compare(a.line, b.line))
	})
	return out
}

// sweep is what time alone brings: loans become late, and the next promise of a
// late tool is endangered when it begins within a week.
func (r *record) sweep() {
	for tool := range r.state {
		out := r.loanOf(tool)
		isLate := out != nil && out.until.Before(r.now)
		if isLate {
			if !out.late {
				out.late = true
				r.lates++
			}
			if next := r.later(tool); len(next) > 0 && next[0].endangered == "" && !next[0].from.After(r.now.Add(warnedFor)) {
				next[0].endangered = "late"
			}
			continue
		}
		for _, p := range r.later(tool) {
			if p.endangered == "late" {
				p.endangered = ""
			}
		}
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
