package api_test

import (
	"maps"
	"slices"
	"time"
)

func (s *sequence) soon() (from, until time.Time) {
	from = s.now.Truncate(time.Hour).Add(time.Duration(1+s.r.IntN(24*9)) * time.Hour)
	return from, from.Add(time.Duration(1+s.r.IntN(40)) * time.Hour)
}

func row3(from, until time.Time) map[string]any { return map[string]any{"from": from, "until": until} }

func (s *sequence) reserve() {
	member := s.r.IntN(len(s.numbers))
	from, until := s.soon()
	var body []map[string]any
	var wants [][]string
	used := map[string]bool{}
	type choice struct {
		number int
		by     time.Time
	}
	choices := map[int]choice{} // by line of the answer
	for range 1 + s.r.IntN(3) {
		tool, other := s.tool(), s.tool()
		switch kind := s.r.IntN(12); {
		case kind == 0 && !used["W0-0"]: // a kit of one tool and any of a model
			used["W0-0"] = true
			body, wants = append(body, map[string]any{"kit": "box"}), append(wants, []string{"W0-0"}, s.models["model-1"])
		case kind == 1 && tool != other && !used[tool] && !used[other]:
			used[tool], used[other] = true, true
			line, c := map[string]any{"one_of": []map[string]any{toolLine(tool), toolLine(other)}}, choice{len(body) + 1, from}
			if s.r.IntN(2) == 0 {
				c.by = s.now.Add(time.Duration(1+s.r.Int64N(from.Sub(s.now).Microseconds())) * time.Microsecond)
				line["decide_by"] = c.by
			}
			choices[len(wants)], choices[len(wants)+1] = c, c
			body, wants = append(body, line), append(wants, []string{tool}, []string{other})
		case kind < 8 && !used[tool]:
			used[tool] = true
			body, wants = append(body, toolLine(tool)), append(wants, []string{tool})
		default:
			model := s.pick(slices.Sorted(maps.Keys(s.models)))
			body, wants = append(body, modelLine(model)), append(wants, s.models[model])
		}
	}
	refused := ""
	switch {
	case slices.ContainsFunc(wants, func(tools []string) bool {
		return !slices.ContainsFunc(tools, func(tool string) bool { return s.state[tool] == "in_service" })
	}):
		refused = "not-lendable"
	case !s.servable(wants, from, until):
		refused = "tool-taken"
	case s.open(member)+len(wants) > mostAtOnce:
		refused = "against-rules"
	}
	r := s.ask("reservations", s.tokens[member], map[string]any{"period": row3(from, until), "lines": body})
	if !s.answered(r, refused) {
		return
	}
	got := s.lines(r, "lines")
	for i, l := range got {
		if !slices.Contains(wants[i], l.Tool) || !s.free(l.Tool, from, until) || slices.ContainsFunc(got[:i], func(o bookedLine) bool { return o.Tool == l.Tool }) {
			s.fail("line %d got %s, which the record does not give to it", i, l.Tool)
		}
	}
	for i, l := range got {
		s.promises = append(s.promises, &promise{reservation: r.str("id"), line: i, member: member, tool: l.Tool, from: from, until: until, heldFrom: from, heldUntil: until.Add(cleaning), state: "reserved",
			choice: choices[i].number, decideBy: choices[i].by})
	}
}

func (s *sequence) change() {
	p := s.promised(s.pick([]string{"reserved", "reserved", "reserved", "out", "cancelled"}))
	if p == nil {
		return
	}
	from, until := s.soon()
	var moving []*promise
	var wants [][]string
	for _, q := range s.record.of(p.reservation) {
		if q.state == "reserved" {
			moving, wants = append(moving, q), append(wants, s.models[s.model[q.tool]])
		}
	}
	refused := ""
	switch {
	case len(moving) == 0:
		refused = "not-allowed-now"
	case slices.ContainsFunc(wants, func(tools []string) bool {
		return !slices.ContainsFunc(tools, func(tool string) bool { return s.state[tool] == "in_service" })
	}):
		refused = "not-lendable"
	case !s.servable(wants, from, until, moving...):
		refused = "tool-taken"
	}
	r := s.ask("reservations/"+p.reservation+"/change", s.tokens[p.member], map[string]any{"period": row3(from, until)})
	if !s.answered(r, refused) {
		return
	}
	got := s.lines(r, "lines")
	for i, q := range moving {
		if tool := got[q.line].Tool; !slices.Contains(wants[i], tool) || !s.free(tool, from, until, moving...) {
			s.fail("line %d moved to %s, which the record does not give to it", q.line, tool)
		}
	}
	for _, q := range moving {
		q.tool, q.from, q.until, q.heldFrom, q.heldUntil, q.endangered = got[q.line].Tool, from, until, from, until.Add(cleaning), ""
		if q.decideBy.After(from) {
			q.decideBy = from
		}
	}
}

// decideFor keeps one of a choice.
func (s *sequence) decideFor() {
	p := s.promised("reserved")
	for range 8 {
		if other := s.promised("reserved"); p != nil && p.choice == 0 {
			p = other
		}
	}
	if p == nil {
		return
	}
	refused := ""
	if p.choice == 0 {
		refused = "not-allowed-now"
	}
	if s.answered(s.ask("reservations/"+p.reservation+"/decide", s.tokens[p.member], map[string]any{"line": p.line}), refused) {
		s.decide(p)
	}
}

func (s *sequence) cancel() {
	p := s.promised(s.pick([]string{"reserved", "reserved", "reserved", "out", "cancelled", "returned"}))
	if p == nil {
		return
	}
	all := s.record.of(p.reservation)
	refused := "not-allowed-now"
	if slices.ContainsFunc(all, func(q *promise) bool { return q.state == "reserved" }) && !slices.ContainsFunc(all, func(q *promise) bool { return q.state == "out" }) {
		refused = ""
	}
	if s.answered(s.ask("reservations/"+p.reservation+"/cancel", s.tokens[p.member], map[string]any{}), refused) {
		for _, q := range all {
			if q.state == "reserved" {
				q.state = "cancelled"
			}
		}
	}
}
