package api_test

import (
	"slices"
	"time"
)

// waiter is one entry of the waiting list: a member waits for tools, each by itself,
// for so many hours within a window.
type waiter struct {
	id, state   string
	member      int
	tools       []string
	from, until time.Time // the window
	hours       time.Duration
	before      [][2]time.Time // what was offered
	offer       string         // the reservation that is offered
	offerUntil  time.Time
	unanswered  int
}

const offerGood = 24 * time.Hour

func (s *sequence) inLine() []string {
	var out []string
	for _, e := range s.line {
		out = append(out, e.id+" "+e.state)
	}
	slices.Sort(out)
	return out
}

// join gets somebody into the line for one tool or two.
func (s *sequence) join() {
	member := s.r.IntN(len(s.numbers))
	open := 0
	for _, e := range s.line {
		if e.member == member && (e.state == "waiting" || e.state == "offered") {
			open++
		}
	}
	e := &waiter{member: member, state: "waiting", hours: time.Duration(2+s.r.IntN(30)) * time.Hour, from: s.now.Add(time.Duration(1+s.r.IntN(72*60)) * time.Minute)}
	for _, tool := range []string{s.tool(), s.tool()} {
		if s.state[tool] != "in_service" || slices.Contains(e.tools, tool) || len(e.tools) == 1 && s.r.IntN(2) == 0 {
			continue
		}
		e.tools = append(e.tools, tool)
	}
	if open >= 2 || len(e.tools) == 0 {
		return
	}
	e.until = e.from.Add(e.hours + time.Duration(1+s.r.IntN(96*60))*time.Minute)
	var lines []map[string]any
	for _, tool := range e.tools {
		lines = append(lines, toolLine(tool))
	}
	refused := ""
	if e.until.Before(latest(e.from, s.now.Add(time.Hour)).Add(e.hours)) {
		refused = "invalid-request" // leaves no time to answer an offer
	}
	r := s.ask("waiting-list", s.tokens[member], map[string]any{"lines": lines, "window": row3(e.from, e.until), "hours": int(e.hours.Hours())})
	if s.answered(r, refused) {
		e.id = r.str("id")
		s.line = append(s.line, e)
	}
}

// answer is what somebody in the line says: yes or no to what is offered, or that
// they wait no longer.
func (s *sequence) answer() {
	if len(s.line) == 0 {
		return
	}
	e := s.line[s.r.IntN(len(s.line))]
	for range 8 {
		if e.state != "offered" {
			e = s.line[s.r.IntN(len(s.line))]
		}
	}
	act, next := s.pick([]string{"accept", "accept", "decline", "decline and stay", "leave"}), ""
	refused, body := "", map[string]any{}
	cancelled, canCancel := s.reservationOf(e)
	switch act {
	case "accept":
		if next = "taken"; e.state != "offered" || cancelled || !e.offerUntil.After(s.now) {
			refused = "not-allowed-now"
		}
		body = nil
	case "decline", "decline and stay":
		if next = "declined"; act == "decline and stay" {
			act, next, body["keep_waiting"] = "decline", "waiting", true
		}
		if e.state != "offered" || !cancelled && !canCancel {
			refused = "not-allowed-now"
		}
	case "leave":
		if next, body = "left", nil; e.state == "offered" && !cancelled && !canCancel || e.state != "offered" && e.state != "waiting" {
			refused = "not-allowed-now"
		}
	}
	var r *response
	if body == nil {
		r = s.ask("waiting-list/"+e.id+"/"+act, s.tokens[e.member], nil)
	} else {
		r = s.ask("waiting-list/"+e.id+"/"+act, s.tokens[e.member], body)
	}
	if !s.answered(r, refused) {
		return
	}
	for _, p := range s.record.of(e.offer) {
		p.offered = false
	}
	if e.state == "offered" && next != "taken" {
		s.giveUp(e)
	}
	e.state = next
}

// reservationOf tells of what e is offered whether it was cancelled, and whether it
// can be.
func (r *record) reservationOf(e *waiter) (cancelled, canCancel bool) {
	all := r.of(e.offer)
	in := func(state string) bool {
		return slices.ContainsFunc(all, func(p *promise) bool { return p.state == state })
	}
	return !slices.ContainsFunc(all, func(p *promise) bool { return p.state != "cancelled" }), in("reserved") && !in("out")
}

func (r *record) giveUp(e *waiter) {
	for _, p := range r.of(e.offer) {
		if p.state == "reserved" {
			p.state = "cancelled"
		}
	}
}

// settleLine ends the offers and the entries that are over.
func (r *record) settleLine() {
	for _, e := range r.line {
		switch {
		case e.state == "waiting" && e.until.Add(-e.hours).Before(r.now.Add(time.Hour)):
			e.state = "passed"
		case e.state != "offered":
			continue
		}
		if e.state != "offered" {
			continue
		}
		cancelled, _ := r.reservationOf(e)
		collected := slices.ContainsFunc(r.of(e.offer), func(p *promise) bool { return p.state != "reserved" && p.state != "cancelled" })
		switch {
		case cancelled:
			e.state = "waiting"
		case collected:
			e.state = "taken"
		case !e.offerUntil.After(r.now):
			r.giveUp(e)
			e.unanswered++
			if e.state = "waiting"; e.unanswered == 2 {
				e.state = "lapsed"
			}
		}
	}
	for _, e := range r.line { // whom a lapsed offer put back too late
		if e.state == "waiting" && e.until.Add(-e.hours).Before(r.now.Add(time.Hour)) {
			e.state = "passed"
		}
	}
}

// suits reports whether e can take its tools for its hours from a time on, when the
// promises left out are not there.
func (r *record) suits(e *waiter, from time.Time, without []*promise) bool {
	until := from.Add(e.hours)
	if from.Before(e.from) || from.Before(r.now.Add(time.Hour)) || until.After(e.until) {
		return false
	}
	open := len(e.tools)
	for _, p := range r.promises {
		if p.member != e.member || slices.Contains(without, p) {
			continue
		}
		mine := p.state == "out" || p.state == "reserved" && p.until.After(r.now)
		if mine {
			open++
		}
		if mine && p.until.After(r.now) && slices.Contains(e.tools, p.tool) && p.from.Before(until) && from.Before(p.until) {
			return false // has it already
		}
	}
	for _, b := range e.before {
		if b[0].Before(until) && from.Before(b[1]) {
			return false
		}
	}
	return open <= mostAtOnce && !slices.ContainsFunc(e.tools, func(tool string) bool { return !r.free(tool, from, until, without...) })
}

// couldHave finds a time at which e could have been served: each begins on a
// quarter of an hour, as offers do where that is possible.
func (r *record) couldHave(e *waiter, without []*promise) (time.Time, bool) {
	begins := []time.Time{latest(e.from, r.now.Add(time.Hour))}
	for _, p := range r.promises {
		if slices.Contains(e.tools, p.tool) {
			begins = append(begins, p.heldUntil, p.until)
			if p.state == "out" && p.until.Before(r.now) {
				begins = append(begins, r.now.Add(cleaning))
			}
		}
	}
	for _, b := range e.before {
		begins = append(begins, b[1])
	}
	for _, at := range begins {
		if at = at.Add(15*time.Minute - time.Nanosecond).Truncate(15 * time.Minute); r.suits(e, at, without) {
			return at, true
		}
	}
	return time.Time{}, false
}

// offers takes over what the sweep offered and holds it against the record: all of
// it was free, inside the window and new to whom it is offered; and whoever waits on
// could not have been served even if nobody who joined later had been.
func (s *sequence) offers() {
	s.settleLine()
	type offered struct {
		state, reservation string
		from, until, good  time.Time
	}
	now := map[string]offered{}
	rows, err := s.db.Owner.Query(s.t.Context(), `
		select e.id::text, e.state, coalesce(o.reservation_id::text, ''), coalesce(lower(o.period), 'epoch'), coalesce(upper(o.period), 'epoch'), coalesce(o.offer_until, 'epoch')
		from waiting_entry e left join waiting_offer o on o.club_id = e.club_id and o.entry_id = e.id and o.outcome = 'open'`)
	if err != nil {
		s.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var o offered
		if err := rows.Scan(&id, &o.state, &o.reservation, &o.from, &o.until, &o.good); err != nil {
			s.t.Fatal(err)
		}
		now[id] = o
	}
	if err := rows.Err(); err != nil {
		s.t.Fatal(err)
	}
	var made [][]*promise // by place, what the sweep offered
	for _, e := range s.line {
		made = append(made, nil)
		o := now[e.id]
		if e.state != "waiting" || o.state != "offered" {
			continue
		}
		if !s.suits(e, o.from, nil) || o.until.Sub(o.from) != e.hours {
			s.fail("%+v is offered %s–%s, which the record does not give", *e, o.from, o.until)
		}
		good := s.now.Add(offerGood)
		if o.from.Before(good) {
			good = o.from
		}
		if !o.good.Equal(good) {
			s.fail("an offer is good until %s, not %s", o.good, good)
		}
		e.state, e.offer, e.offerUntil, e.before = "offered", o.reservation, good, append(e.before, [2]time.Time{o.from, o.until})
		for i, tool := range e.tools {
			p := &promise{reservation: o.reservation, line: i, member: e.member, tool: tool, from: o.from, until: o.until, heldFrom: o.from, heldUntil: o.until.Add(cleaning), state: "reserved", offered: true}
			s.promises, made[len(made)-1] = append(s.promises, p), append(made[len(made)-1], p)
		}
		s.counts["offered"]++
	}
	for i, e := range s.line {
		if e.state != "waiting" {
			continue
		}
		s.counts["waits on"]++
		if at, could := s.couldHave(e, slices.Concat(made[i:]...)); could {
			s.fail("%+v waits on although it could have been served from %s", *e, at)
		}
	}
}
