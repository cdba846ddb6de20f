package api_test

import (
	"encoding/json"
	"maps"
	"slices"
	"time"
)

func (s *sequence) handOut() {
	member := s.r.IntN(len(s.numbers))
	tools := []string{s.tool()}
	if p := s.promised("reserved"); p != nil && s.r.IntN(4) > 0 && p.from.Before(s.now.Add(36*time.Hour)) {
		member, tools[0] = p.member, p.tool
	}
	if other := s.tool(); s.r.IntN(4) == 0 && other != tools[0] {
		tools = append(tools, other)
	}
	wanted := s.now.Add(time.Duration(2+s.r.IntN(60)) * time.Hour)
	refusals := map[string]bool{}
	type going struct {
		by    *promise
		until time.Time
	}
	all := map[string]going{}
	walkIns := 0
	var body []map[string]any
	for _, tool := range tools {
		by, until, ok := s.collects(member, tool, s.now, wanted, nil)
		all[tool] = going{by, until}
		if !ok {
			refusals[tool] = true
		}
		if by == nil && s.loanOf(tool) == nil {
			if walkIns++; s.open(member)+walkIns > mostAtOnce {
				refusals[tool] = true
			}
		}
		for other, g := range all {
			if by != nil && by.choice > 0 && g.by != nil && other != tool && g.by.reservation == by.reservation && g.by.choice == by.choice {
				refusals[tool] = true // one of them goes out
			}
		}
		body = append(body, map[string]any{"tool": tool})
	}
	refused := ""
	if len(refusals) > 0 {
		refused = "counter-refused"
	}
	r := s.ask("handouts", s.keeper, map[string]any{"member": s.numbers[member], "tools": body, "until": wanted})
	if !s.answered(r, refused) {
		return
	}
	before := s.kept()
	for _, l := range s.lines(r, "loans") {
		g := all[l.Tool]
		if !l.Period.Until.Equal(g.until) {
			s.fail("%s goes out until %s, the record says %s", l.Tool, l.Period.Until, g.until)
		}
		s.out(g.by, l, member, s.now, g.until)
	}
	s.undo = func() {
		if s.answered(s.ask("handouts/"+r.str("id")+"/undo", s.keeper, nil), "") {
			cleaned := map[*promise]time.Time{}
			for _, p := range s.promises {
				if p.state == "returned" {
					cleaned[p] = p.heldUntil
				}
			}
			for _, l := range s.lines(r, "loans") {
				if p := s.loanOf(l.Tool); before[p] == nil {
					p.state, p.loan = "cancelled", "" // nobody had reserved it
				}
			}
			for p, was := range before {
				givenUp := was.state == "reserved" && p.state == "cancelled"
				decided := was.choice > 0 && p.choice == 0
				*p = *was
				if held, ok := cleaned[p]; ok {
					p.heldUntil = held // its cleaning stays ended
				}
				if givenUp { // what was decided stays decided
					p.state = "cancelled"
				}
				if decided {
					p.choice = 0
				}
			}
		}
	}
}

// out takes a loan over into the record.
func (s *sequence) out(by *promise, l bookedLine, member int, at, until time.Time) {
	if by == nil {
		by = &promise{reservation: l.Reservation, line: l.Line, member: member, tool: l.Tool, from: at, until: until, heldFrom: at, heldUntil: until.Add(cleaning)}
		s.promises = append(s.promises, by)
	}
	if by.reservation != l.Reservation || by.line != l.Line {
		s.fail("%s goes out by %s/%d, the record says %v", l.Tool, l.Reservation, l.Line, by)
	}
	s.goes(by, at)
	by.loan = l.ID
}

// kept is a copy of all that is promised.
func (s *sequence) kept() map[*promise]*promise {
	out := map[*promise]*promise{}
	for _, p := range s.promises {
		copied := *p
		out[p] = &copied
	}
	return out
}

func (s *sequence) takeBack() {
	tools := []string{s.tool()}
	if p := s.promised("out"); p != nil && s.r.IntN(8) > 0 {
		tools[0] = p.tool
	}
	if p := s.promised("out"); p != nil && p.tool != tools[0] && s.r.IntN(4) == 0 {
		tools = append(tools, p.tool)
	}
	refused := ""
	damaged := map[string]bool{}
	var body []map[string]any
	for _, tool := range tools {
		if s.loanOf(tool) == nil {
			refused = "counter-refused"
		}
		one := map[string]any{"tool": tool}
		if s.r.IntN(8) == 0 {
			damaged[tool], one["condition"] = true, "damaged"
		}
		body = append(body, one)
	}
	r := s.ask("returns", s.keeper, map[string]any{"garage": "dock", "tools": body})
	if !s.answered(r, refused) {
		return
	}
	before, states, displaced := s.kept(), maps.Clone(s.state), 0
	for _, tool := range tools {
		if damaged[tool] && s.state[tool] == "in_service" {
			s.state[tool] = "quarantine"
		}
	}
	for _, tool := range tools { // one after the other: what comes later is not free yet
		s.comes(s.loanOf(tool), s.now)
		if states[tool] != s.state[tool] {
			displaced += s.displaced(tool, "quarantine")
		} else if s.state[tool] == "in_service" {
			s.safe(tool, "late")
		}
	}
	s.undo = func() {
		refused := ""
		if displaced > 0 {
			refused = "counter-refused"
		}
		if s.answered(s.ask("returns/"+r.str("id")+"/undo", s.keeper, nil), refused) {
			endangered := map[*promise]string{}
			for _, p := range s.promises {
				endangered[p] = p.endangered
			}
			for p, was := range before {
				*p = *was
				if p.state == "reserved" {
					p.endangered = endangered[p] // a warning comes again when its time comes
				}
			}
			s.state = states
		}
	}
}

// displaced takes over what became of the later promises of a tool that left
// service, and holds it against the record: each is with an equal that was free,
// or endangered because none is. It returns how many there were.
func (s *sequence) displaced(tool, reason string) int {
	touched := 0
	for _, p := range s.later(tool) {
		var now, danger string
		if err := s.db.Owner.QueryRow(s.t.Context(), `select t.number, coalesce(b.endangered, '') from booking b join tool t on t.club_id = b.club_id and t.id = b.tool_id
			where b.reservation_id = $1 and b.line = $2`, p.reservation, p.line).Scan(&now, &danger); err != nil {
			s.t.Fatal(err)
		}
		equals := slices.DeleteFunc(slices.Clone(s.models[s.model[tool]]), func(e string) bool { return e == tool || !s.free(e, p.from, p.until) })
		switch {
		case now != tool && !slices.Contains(equals, now):
			s.fail("%v was moved to %s; free are %v", p, now, equals)
		case now == tool && len(equals) > 0:
			s.fail("%v was not moved although %v are free", p, equals)
		case now == tool && danger != reason:
			s.fail("%v is endangered by %q, not %q", p, danger, reason)
		}
		if now != tool || p.endangered != reason {
			touched++
		}
		p.tool, p.endangered = now, danger
	}
	return touched
}

func (s *sequence) extend() {
	p := s.promised("out")
	if p == nil {
		return
	}
	until := latest(p.until, s.now).Add(time.Duration(1+s.r.IntN(50)) * time.Hour)
	refused := ""
	if until.After(p.from.Add(90 * 24 * time.Hour)) {
		refused = "invalid-request"
	} else if hurt := s.inTheWay(p.tool, p, nil, p.heldFrom, latest(until.Add(cleaning), p.heldUntil)); slices.ContainsFunc(hurt, func(q *promise) bool { return q.state != "returned" }) {
		refused = "would-hurt"
	}
	if s.answered(s.ask("loans/"+p.loan+"/extend", s.tokens[p.member], map[string]any{"until": until}), refused) {
		p.until, p.heldUntil, p.late = until, latest(until.Add(cleaning), p.heldUntil), false
		s.safe(p.tool, "late")
	}
}

// handOver is an offer and what the other one says to it.
func (s *sequence) handOver() {
	p := s.promised("out")
	if p == nil {
		return
	}
	to := s.r.IntN(len(s.numbers))
	if next := s.later(p.tool); len(next) > 0 && s.r.IntN(2) == 0 {
		to = next[0].member
	}
	refused := ""
	if to == p.member {
		refused = "invalid-request"
	}
	if !s.answered(s.ask("loans/"+p.loan+"/hand-over", s.tokens[p.member], map[string]any{"to": s.numbers[to]}), refused) {
		return
	}
	at := latest(s.now, p.from.Add(time.Microsecond))
	wanted := s.now.Add(time.Duration(2+s.r.IntN(30)) * time.Hour)
	by, until, ok := s.collects(to, p.tool, at, wanted, p)
	if !ok || by == nil && s.open(to)+1 > mostAtOnce {
		refused = "counter-refused"
	}
	r := s.ask("loans/"+p.loan+"/hand-over/confirm", s.tokens[to], map[string]any{"until": wanted})
	if !s.answered(r, refused) {
		return
	}
	if at.Before(p.until) {
		p.until = latest(at, p.from.Add(time.Microsecond))
	}
	if at.Before(p.heldUntil) {
		p.heldUntil = at
	}
	p.heldUntil = latest(p.heldUntil, p.until)
	p.state, p.loan = "returned", ""
	var l bookedLine
	if err := json.Unmarshal(r.body, &l); err != nil {
		s.t.Fatal(err)
	}
	s.out(by, l, to, at, until)
	s.safe(p.tool, "late")
}

func (s *sequence) lose() {
	p := s.promised("out")
	if p == nil {
		return
	}
	if s.answered(s.ask("loans/"+p.loan+"/lost", s.keeper, map[string]any{}), "") {
		p.state, p.loan = "lost", ""
		s.state[p.tool] = "lost"
		s.displaced(p.tool, "lost")
	}
}

// find looks for a tool; good or bad is how an inspection finds it.
func (s *sequence) find() {
	tool := s.tool()
	for _, other := range slices.Sorted(maps.Keys(s.state)) {
		if s.state[other] != "in_service" && s.r.IntN(2) == 0 {
			tool = other
		}
	}
	if s.r.IntN(2) == 0 {
		refused, state := "", s.pick([]string{"in_service", "quarantine"})
		if s.state[tool] != "lost" {
			refused = "not-allowed-now"
		}
		if s.answered(s.ask("tools/"+tool+"/found", s.keeper, map[string]any{"garage": "dock", "state": state}), refused) {
			s.state[tool] = state
			if state == "in_service" {
				s.safe(tool, "lost", "quarantine", "retired")
				return
			}
			for _, p := range s.promises {
				if p.tool == tool && p.state == "reserved" && p.endangered == "lost" {
					p.endangered = state
				}
			}
		}
		return
	}
	verdict := s.pick([]string{"good", "good", "good", "bad"})
	refused := ""
	if s.state[tool] == "lost" {
		refused = "not-allowed-now"
	}
	if s.answered(s.ask("tools/"+tool+"/inspections", s.keeper, map[string]any{"verdict": verdict}), refused) {
		switch was := s.state[tool]; {
		case verdict == "bad" && was == "in_service":
			s.state[tool] = "quarantine"
			s.displaced(tool, "quarantine")
		case verdict == "good" && was != "in_service":
			s.state[tool] = "in_service"
			s.safe(tool, "lost", "quarantine", "retired")
		}
	}
}
