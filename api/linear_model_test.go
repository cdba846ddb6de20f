package api_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/anishathalye/porcupine"
)

// act is one operation on the club's shelf, as a client called it. Hours count
// from the world's clock, which stands at one: now is hour -1.
type act struct {
	kind        string // hand out, reserve, change, cancel, extend, offer, confirm
	tools       string // one letter each: a history may be of one tool, or of a kit
	id          string // of the reservation or loan that it is about
	who         string // the member who calls
	to          string // whom a loan is offered to
	from, until int
}

// outcome is what came back: done, or refused, or nothing that tells which.
type outcome struct {
	known bool
	code  string // of a problem; empty when done
	id    string // of what was made
}

// promised is one stretch for which tools are promised. A loan is known by the id
// of its loan.
type promisedTools struct {
	id, tools, holder, offered string
	from, until                int
	out                        bool
}

// shelves is the sequential record that concurrent histories are held to: what is
// promised at one moment, in the order of ids. It is never changed, only replaced.
type shelves []promisedTools

func (s shelves) find(id string) int {
	return slices.IndexFunc(s, func(p promisedTools) bool { return p.id == id })
}

// free reports whether p overlaps nothing but the promise at leave, with a
// turnaround kept behind each.
func (s shelves) free(p promisedTools, leave int) bool {
	for i, q := range s {
		if i != leave && strings.ContainsAny(p.tools, q.tools) && p.from < q.until+turnaround && q.from < p.until+turnaround {
			return false
		}
	}
	return true
}

func (s shelves) with(p promisedTools) shelves {
	out := append(slices.Clone(s), p)
	slices.SortFunc(out, func(a, b promisedTools) int { return cmp.Compare(a.id, b.id) })
	return out
}

func (s shelves) without(i int) shelves { return slices.Delete(slices.Clone(s), i, i+1) }

// apply is a done as if nobody else were there: the next record, and the code of
// the problem that refuses it.
func (s shelves) apply(a act, made string) (shelves, string) {
	at := -1
	if a.kind != "reserve" && a.kind != "hand out" {
		at = s.find(a.id)
	}
	switch a.kind {
	case "reserve":
		p := promisedTools{id: made, tools: a.tools, holder: a.who, from: a.from, until: a.until}
		if !s.free(p, -1) {
			return s, "tool-taken"
		}
		return s.with(p), ""
	case "cancel":
		if at < 0 || s[at].out {
			return s, "not-allowed-now"
		}
		return s.without(at), ""
	case "change":
		if at < 0 || s[at].out {
			return s, "not-allowed-now"
		}
		p := s[at]
		p.from, p.until = a.from, a.until
		if !s.free(p, at) {
			return s, "tool-taken"
		}
		return s.without(at).with(p), ""
	}
	if a.kind != "hand out" && at < 0 {
		return s, "not-allowed-now" // the loan has ended
	}
	switch a.kind {
	case "hand out":
		return s.with(promisedTools{id: made, tools: a.tools, holder: a.to, from: -1, until: a.until, out: true}), ""
	case "extend":
		p := s[at]
		if a.until <= p.until {
			return s, "invalid-request"
		}
		p.until = a.until
		if !s.free(p, at) {
			return s, "would-hurt"
		}
		return s.without(at).with(p), ""
	case "offer":
		p := s[at]
		p.offered = a.to
		return s.without(at).with(p), ""
	case "confirm":
		p := s[at]
		if p.offered != a.who {
			return s, "not-allowed-now"
		}
		p.id, p.holder, p.offered, p.until = made, a.who, "", a.until
		for i, q := range s { // shortened to what hurts nobody
			if i != at && strings.ContainsAny(p.tools, q.tools) && q.from-turnaround < p.until {
				p.until = q.from - turnaround
				if p.until <= 0 { // less than an hour: it begins a moment after the loan that it follows
					return s, "counter-refused"
				}
			}
		}
		return s.without(at).with(p), ""
	}
	panic("an operation of no kind: " + a.kind)
}

// shelfModel is the record as porcupine asks for it. An operation of unknown
// outcome has no end: that it never happened is the same as that it happens after
// all others, when nobody looks any more.
func shelfModel() porcupine.Model {
	return porcupine.Model{
		Init: func() any { return shelves{} },
		Step: func(state, input, output any) (bool, any) {
			s, a, o := state.(shelves), input.(act), output.(outcome)
			next, refused := s.apply(a, o.id)
			if o.known && o.code != refused {
				return false, s
			}
			return true, next
		},
		Equal: func(a, b any) bool { return slices.Equal(a.(shelves), b.(shelves)) },
		Hash: func(state any) uint64 {
			h := uint64(14695981039346656037) // FNV-1a
			for _, p := range state.(shelves) {
				for _, c := range []byte(fmt.Sprint(p)) {
					h = (h ^ uint64(c)) * 1099511628211
				}
			}
			return h
		},
		DescribeOperation: func(input, output any) string { return fmt.Sprintf("%+v: %+v", input, output) },
	}
}

// history records what clients called and what came back.
type history struct{ calls []porcupine.Operation }

// linearizable reports whether some order of the operations, each at one moment
// between its call and its return, explains all outcomes.
func (h history) linearizable(patience time.Duration) porcupine.CheckResult {
	for i := range h.calls {
		if o := h.calls[i].Output.(outcome); !o.known {
			h.calls[i].Return = math.MaxInt64 // it may still happen
		}
	}
	return porcupine.CheckOperationsTimeout(shelfModel(), h.calls, patience)
}

func (h history) String() string {
	slices.SortFunc(h.calls, func(a, b porcupine.Operation) int { return cmp.Compare(a.Call, b.Call) })
	var out strings.Builder
	for _, c := range h.calls {
		fmt.Fprintf(&out, "client %2d  %12d – %12d  %+v: %+v\n", c.ClientId, c.Call, c.Return, c.Input, c.Output)
	}
	return out.String()
}
