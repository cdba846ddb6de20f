package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"pinwright/internal/insist"
)

// linearClients are the members that act at once.
const linearClients = 32

// crew are members of one world who act on its shelf at once and note what they
// called and what came back.
type crew struct {
	w       *world
	send    insist.Send
	keeper  string
	numbers []string // of the members
	tokens  []string
	hands   map[string]string // tokens of members who only receive loans, by number
	begun   time.Time
	// insists lets everybody send a request again, with its key, until it is answered
	// by more than to come back later.
	insists bool
	// slots bounds how many operations are under way at once; nil does not.
	slots chan struct{}

	answered, repeated atomic.Int64

	mu      sync.Mutex
	unknown int
}

func newCrew(w *world) *crew {
	w.t.Helper()
	w.clock.mu.Lock()
	w.clock.at = w.clock.at.Truncate(time.Hour)
	w.clock.mu.Unlock()
	w.exec(`insert into lending_rule (club_id, at_once) values ($1, 1000)`) // rounds add up
	c := &crew{w: w, send: insist.Through(w.handler), keeper: w.as("tool_keeper"), begun: time.Now(), hands: map[string]string{}}
	join := func(number string) string {
		m := w.do("POST", w.at("members"), w.officer, map[string]any{"number": number, "name": "Member " + number, "roles": []string{"member"}}).want(201)
		return w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "linear", "member": m.str("id")}).want(201).str("token")
	}
	for i := range linearClients {
		c.numbers = append(c.numbers, fmt.Sprint("L", i))
		c.tokens = append(c.tokens, join(c.numbers[i]))
	}
	for i := range 3 {
		c.hands[fmt.Sprint("H", i)] = join(fmt.Sprint("H", i))
	}
	return c
}

// call sends one request, once unless everybody insists: what was answered, or that
// nobody knows.
func (c *crew) call(path, token string, body any) (outcome, map[string]any) {
	text, err := json.Marshal(body)
	if err != nil {
		panic(err)
	}
	defer c.answered.Add(1)
	key := newID()
	for late := time.Now().Add(time.Minute); ; {
		r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, c.w.at(path), bytes.NewReader(text))
		r.Header.Set("Authorization", "Bearer "+token)
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", key)
		answer, err := c.send(r)
		var members map[string]any
		if err == nil {
			err = json.Unmarshal(answer.Body, &members)
		}
		switch {
		case c.insists && (err != nil || answer.Header.Get("Retry-After") != "") && time.Now().Before(late):
			c.repeated.Add(1)
			time.Sleep(20 * time.Millisecond) // sooner than Retry-After asks, to press harder
			continue
		case err != nil || answer.Status >= 500:
			c.mu.Lock()
			defer c.mu.Unlock()
			c.unknown++
			return outcome{id: fmt.Sprint("?", c.unknown)}, nil
		case answer.Status < 300:
			id, _ := members["id"].(string)
			return outcome{known: true, id: id}, members
		}
		kind, _ := members["type"].(string)
		return outcome{known: true, code: strings.TrimPrefix(kind, "/problems/")}, members
	}
}

// does is a, called by client i.
func (c *crew) does(i int, a act, names map[byte]string) outcome {
	period := c.w.period(a.from, a.until)
	switch a.kind {
	case "reserve":
		var l []map[string]any
		for _, letter := range []byte(a.tools) {
			l = append(l, toolLine(names[letter]))
		}
		o, _ := c.call("reservations", c.tokens[i], map[string]any{"period": period, "lines": l})
		return o
	case "change":
		o, _ := c.call("reservations/"+a.id+"/change", c.tokens[i], map[string]any{"period": period})
		return o
	case "cancel":
		o, _ := c.call("reservations/"+a.id+"/cancel", c.tokens[i], map[string]any{})
		return o
	case "extend":
		o, _ := c.call("loans/"+a.id+"/extend", c.hands[a.who], map[string]any{"until": c.w.hour(a.until)})
		return o
	case "offer":
		o, _ := c.call("loans/"+a.id+"/hand-over", c.hands[a.who], map[string]any{"to": a.to})
		return o
	case "hand out", "confirm":
		path, token, body := "handouts", c.keeper, map[string]any{"member": a.to, "tools": lines(toolLine(names[a.tools[0]])), "until": c.w.hour(a.until)}
		if a.kind == "confirm" {
			path, token, body = "loans/"+a.id+"/hand-over/confirm", c.hands[a.who], map[string]any{"until": c.w.hour(a.until)}
		}
		o, members := c.call(path, token, body)
		if loans, _ := members["loans"].([]any); o.known && o.code == "" && len(loans) == 1 {
			o.id, _ = loans[0].(map[string]any)["id"].(string)
		}
		return o
	}
	panic("an operation of no kind: " + a.kind)
}

// holding is what a client knows to be theirs, or what all know of a loan.
type holding struct{ id, tools, holder string }

func toolOf(letter byte, seed uint64) string { return fmt.Sprintf("%c-%d", letter, seed) }

// stock puts the tools of a round on the shelf, each of a model of its own: a
// change finds no equal.
func (c *crew) stock(seed uint64, sets []string) {
	c.w.t.Helper()
	stocked := map[byte]bool{}
	for _, letter := range []byte(strings.Join(sets, "")) {
		if tool := toolOf(letter, seed); !stocked[letter] {
			stocked[letter] = true
			c.w.stock([3]string{"lone-" + tool, tool})
		}
	}
	c.w.alwaysOpen()
}

// round lets all clients act at once, each so many times, on tools known by these
// letters; sets are what one reservation may ask for. Where lent, every second is a
// tool that is out, and may stay out longer or be passed on. The history is of all
// of them.
func (c *crew) round(seed uint64, each int, sets []string, lent bool) history {
	names := map[byte]string{}
	for _, letter := range []byte(strings.Join(sets, "")) {
		names[letter] = toolOf(letter, seed)
	}
	h := history{}
	out := map[string]holding{} // the loan of each tool that is out, as far as known
	note := func(i int, a act) outcome {
		if c.slots != nil {
			c.slots <- struct{}{}
			defer func() { <-c.slots }()
		}
		call := time.Since(c.begun).Nanoseconds()
		o := c.does(i, a, names)
		back := time.Since(c.begun).Nanoseconds()
		c.mu.Lock()
		defer c.mu.Unlock()
		h.calls = append(h.calls, porcupine.Operation{ClientId: i, Input: a, Call: call, Output: o, Return: back})
		if done := o.known && o.code == ""; done && a.kind == "hand out" {
			out[a.tools] = holding{o.id, a.tools, a.to}
		} else if done && a.kind == "confirm" {
			out[a.tools] = holding{o.id, a.tools, a.who}
		}
		return o
	}
	if lent {
		for k, tool := range sets {
			if k%2 == 0 {
				note(0, act{kind: "hand out", tools: tool, who: "keeper", to: "H0", until: 2})
			}
		}
	}
	var all sync.WaitGroup
	for i := range c.tokens {
		all.Go(func() {
			r := rand.New(rand.NewPCG(seed, uint64(i)))
			var mine []holding
			turns := each
			if len(sets) == len(kitSets) && i >= 28 {
				turns = 1 // 60 operations on a kit, all of whose order has to be found at once
			}
			for range turns {
				a := act{who: c.numbers[i], from: r.IntN(30)}
				a.until = a.from + 1 + r.IntN(8)
				set := sets[r.IntN(len(sets))]
				c.mu.Lock()
				loan, isOut := out[set]
				c.mu.Unlock()
				switch kind := r.IntN(6); {
				case isOut && kind == 4:
					note(i, act{kind: "extend", tools: set, id: loan.id, who: loan.holder, until: r.IntN(12)})
					continue
				case isOut && kind == 5:
					to := fmt.Sprint("H", r.IntN(len(c.hands)))
					if to == loan.holder {
						continue
					}
					note(i, act{kind: "offer", tools: set, id: loan.id, who: loan.holder, to: to})
					note(i, act{kind: "confirm", tools: set, id: loan.id, who: to, until: r.IntN(12)})
					continue
				case len(mine) == 0 || kind < 2 || kind > 3:
					a.kind, a.tools = "reserve", set
				default:
					one := mine[r.IntN(len(mine))]
					a.kind, a.id, a.tools = []string{"change", "cancel"}[kind-2], one.id, one.tools
				}
				if o := note(i, a); a.kind == "reserve" && o.known && o.code == "" {
					mine = append(mine, holding{id: o.id, tools: a.tools})
				}
			}
		})
	}
	all.Wait()
	return h
}

// ofTools splits a history of single tools by tool: none knows of another.
func (h history) ofTools() map[string]history {
	out := map[string]history{}
	for _, c := range h.calls {
		tool := c.Input.(act).tools
		one := out[tool]
		one.calls = append(one.calls, c)
		out[tool] = one
	}
	return out
}

func (h history) hold(t *testing.T, what string) {
	t.Helper()
	switch got := h.linearizable(2 * time.Minute); got {
	case porcupine.Ok:
	case porcupine.Unknown:
		t.Errorf("%s: not decided in two minutes whether an order of these operations explains what was answered:\n%v", what, h)
	default:
		t.Errorf("%s: no order of these operations explains what was answered:\n%v", what, h)
	}
}

// rounds is how many rounds are played: a few in every run, many in the long
// ones.
func rounds(short, long int) int {
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		return long
	}
	return short
}

var eightTools = []string{"A", "B", "C", "D", "E", "F", "G", "H"}

var kitSets = []string{"ABC", "AB", "BC", "CA", "A", "B", "C"}

func TestConcurrentLendingIsLinearizable(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	c := newCrew(w)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	done := 0
	for n := range rounds(2, 20) {
		c.stock(seed+uint64(2*n), eightTools)
		h := c.round(seed+uint64(2*n), 14, eightTools, true)
		done += len(h.calls)
		for tool, one := range h.ofTools() {
			one.hold(t, fmt.Sprintf("round %d, tool %s", n, tool))
		}
		c.stock(seed+uint64(2*n)+1, kitSets)
		h = c.round(seed+uint64(2*n)+1, 2, kitSets, false)
		done += len(h.calls)
		h.hold(t, fmt.Sprintf("round %d, kit", n))
	}
	w.wantNoOverlap()
	if c.unknown > 0 {
		t.Errorf("%d of %d operations got no answer although nothing was spoilt", c.unknown, done)
	}
	t.Logf("%d operations of %d clients", done, linearClients)
}

// A checker that lets anything pass would prove nothing.
func TestTheCheckerOfHistoriesBites(t *testing.T) {
	t.Parallel()
	reserve := func(from, until int, o outcome, call, back int64) porcupine.Operation {
		return porcupine.Operation{Input: act{kind: "reserve", tools: "A", from: from, until: until}, Output: o, Call: call, Return: back}
	}
	done := func(id string) outcome { return outcome{known: true, id: id} }
	taken := outcome{known: true, code: "tool-taken"}
	for _, tc := range []struct {
		name  string
		calls []porcupine.Operation
		want  porcupine.CheckResult
	}{
		{"two that lie apart", []porcupine.Operation{reserve(0, 4, done("1"), 0, 1), reserve(6, 8, done("2"), 2, 3)}, porcupine.Ok},
		{"two that overlap", []porcupine.Operation{reserve(0, 4, done("1"), 0, 9), reserve(3, 8, done("2"), 1, 8)}, porcupine.Illegal},
		{"two within the turnaround", []porcupine.Operation{reserve(0, 4, done("1"), 0, 1), reserve(5, 8, done("2"), 2, 3)}, porcupine.Illegal},
		{"a refusal that nothing explains", []porcupine.Operation{reserve(0, 4, taken, 0, 1)}, porcupine.Illegal},
		{"a refusal by what came later", []porcupine.Operation{reserve(0, 4, taken, 0, 1), reserve(0, 4, done("1"), 2, 3)}, porcupine.Illegal},
		{"a refusal by what was under way", []porcupine.Operation{reserve(0, 4, taken, 0, 3), reserve(0, 4, done("1"), 1, 5)}, porcupine.Ok},
		{"a refusal by what got no answer", []porcupine.Operation{reserve(0, 4, outcome{id: "?1"}, 0, 1), reserve(0, 4, taken, 2, 3)}, porcupine.Ok},
		{"no refusal by what got no answer", []porcupine.Operation{reserve(0, 4, outcome{id: "?1"}, 0, 1), reserve(0, 4, done("2"), 2, 3)}, porcupine.Ok},
	} {
		if got := (history{calls: slices.Clone(tc.calls)}).linearizable(time.Minute); got != tc.want {
			t.Errorf("%s: %s, want %s", tc.name, got, tc.want)
		}
	}
}
