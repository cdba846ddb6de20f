package calendar

import (
	"slices"
	"strings"
	"time"
)

// quarter is how long an entry of a garage's calendar is: somebody has to be
// there for it. Common practice, no published source.
const quarter = 15 * time.Minute

// firstComes stands behind the caution of a tool that can hurt somebody.
const firstComes = "The maker's instructions, local codes and licensed practice come first."

func (k shown) feed(events []Event) Feed {
	f := Feed{ID: k.ID, Events: events}
	shared := " It tells nobody's name."
	if k.Names {
		shared = " It tells who borrows, so keep its address to the club."
	}
	switch k.Shows {
	case OfMember:
		f.Name = "Tools from " + k.ClubName
		f.About = "What you have borrowed and reserved. Whoever has the address sees it; revoke it when it got out."
	case OfTool:
		f.Name = k.Subject + ", " + k.ClubName
		f.About = "To whom the tool is promised and when it is due for care." + shared
	case OfGarage:
		f.Name = k.Subject + ", " + k.ClubName
		f.About = "What goes out and comes back, and when the garage is closed." + shared
	}
	return f
}

// inOrder sorts events by when they begin, then by what never changes.
func inOrder(events []Event) []Event {
	slices.SortFunc(events, func(a, b Event) int {
		if c := a.From.Compare(b.From); c != 0 {
			return c
		}
		return strings.Compare(a.UID.String(), b.UID.String())
	})
	return events
}

func sentences(list ...string) string {
	return strings.Join(slices.DeleteFunc(list, func(s string) bool { return s == "" }), " ")
}

func place(garage, address string) string {
	return strings.Join(slices.DeleteFunc([]string{garage, address}, func(s string) bool { return s == "" }), ", ")
}

// what names the tool.
func (s stretch) what() string { return s.Model + ", tool " + s.Tool }

// clock tells a moment by the clock of the garage.
func (s stretch) clock(t time.Time) string {
	zone, err := time.LoadLocation(s.TimeZone)
	if err != nil { // checked when the garage was kept; the program's own table of zones may have lost it
		zone = time.UTC
	}
	return t.In(zone).Format("Mon 2 Jan 2006, 15:04") + " (" + zone.String() + ")"
}

// stage is how far a line has come, in the order in which they come.
type stage int

const (
	offered stage = iota
	awaiting
	undecided
	reserved
	out
	late
	back
	passedOn
	lost
	givenUp
)

func (s stretch) stage() stage {
	switch {
	case s.State == "cancelled":
		return givenUp
	case s.Ended == "handed_over":
		return passedOn
	case s.Ended == "lost", s.State == "lost":
		return lost
	case s.Ended == "returned", s.State == "returned":
		return back
	case s.LateAt != nil:
		return late
	case s.CollectedAt != nil, s.State == "out":
		return out
	case s.OfferUntil != nil:
		return offered
	case s.Approval == "awaited":
		return awaiting
	case s.DecideBy != nil:
		return undecided
	}
	return reserved
}

func (g stage) status() Status {
	switch g {
	case givenUp:
		return Cancelled
	case offered, awaiting, undecided:
		return Tentative
	default:
		return Confirmed
	}
}

// had is from when until when the tool is or was away: once it was collected and
// brought back by these, else as reserved.
func (s stretch) had() (from, until time.Time) {
	from, until = s.BookedFrom, s.BookedUntil
	if s.CollectedAt != nil {
		from = *s.CollectedAt
	}
	if s.EndedAt != nil {
		until = *s.EndedAt
	}
	if !until.After(from) { // collected when it should have been back, or back at once
		until = from.Add(quarter)
	}
	return from, until
}

// event is what all events of s have in common.
func (s stretch) event(v view) Event {
	e := Event{UID: uid(s.ReservationID, s.Line, v), Made: s.CreatedAt, Changed: s.ChangedAt, Sequence: s.Sequence,
		Status: s.stage().status(), Place: place(s.Garage, s.Address), Category: "Reservation"}
	if s.CollectedAt != nil {
		e.Category = "Loan"
	}
	e.From, e.Until = s.had()
	return e
}

// doubt says what may yet keep the tool from being there.
func (s stretch) doubt() string {
	if s.stage() > reserved {
		return ""
	}
	return map[string]string{
		"late":        "It may not be there: whoever has it now is late.",
		"quarantine":  "It may not be there: it is in quarantine until it was inspected.",
		"lost":        "It may not be there: it is lost.",
		"retired":     "It may not be there: it was retired.",
		"calibration": "It may not be lent: it is due for calibration.",
	}[s.Endangered]
}

// borrowed is the event in the calendar of whoever borrows: not busy, since having
// a tool keeps nobody from anything.
func (s stretch) borrowed() Event {
	e := s.event(borrows)
	collect := "Collect it at " + s.Garage + " from " + s.clock(s.BookedFrom) + " on, and bring it back by " + s.clock(s.BookedUntil) + "."
	caution := ""
	if s.Caution != "" {
		caution = "Caution: " + s.Caution + " " + firstComes
	}
	switch s.stage() {
	case offered:
		e.Summary = "Offered: " + s.what()
		e.About = sentences("Say whether you want it by "+s.clock(*s.OfferUntil)+", or it goes to whoever waits next.", collect, s.doubt(), caution)
	case awaiting:
		e.Summary = "Waits for approval: " + s.what()
		e.About = sentences("A tool keeper or an officer has to approve it before it goes out.", collect, s.doubt(), caution)
	case undecided:
		e.Summary = "To be decided: " + s.what()
		e.About = sentences("Choose one of the tools by "+s.clock(*s.DecideBy)+", or the first of them stays.", collect, s.doubt(), caution)
	case reserved:
		e.Summary = "Reserved: " + s.what()
		if s.doubt() != "" {
			e.Summary = "Reserved, in doubt: " + s.what()
		}
		e.About = sentences(collect, s.doubt(), caution)
	case out:
		e.Summary = "Bring back by the end: " + s.what()
		e.About = sentences("You have it. Bring it back to "+s.Garage+" by "+s.clock(s.BookedUntil)+".", caution)
	case late:
		e.Summary = "Late, bring back now: " + s.what()
		e.About = sentences("It was due at "+s.Garage+" by "+s.clock(s.BookedUntil)+". Bring it back, or ask a tool keeper for longer.", caution)
	case back:
		e.Summary = "Brought back: " + s.what()
	case passedOn:
		e.Summary = "Passed on: " + s.what()
	case lost:
		e.Summary = "Lost: " + s.what()
		e.About = "Tell a tool keeper when it turns up."
	case givenUp:
		e.Summary = "Cancelled: " + s.what()
	}
	return e
}

// by names who borrows, where names are told.
func (s stretch) by() string {
	if s.Who == "" {
		return ""
	}
	return ", " + s.Who
}

// promised is the event in the calendar of the tool, which is busy while it is
// promised or away.
func (s stretch) promised() Event {
	e := s.event(promised)
	g := s.stage()
	e.Busy = g <= late
	word := map[stage]string{offered: "Offered", awaiting: "Reserved, waits for approval", undecided: "Held until it is decided", reserved: "Reserved", out: "Out", late: "Late",
		back: "Was out", passedOn: "Passed on", lost: "Lost", givenUp: "Cancelled"}[g]
	e.Summary = word + ": " + s.what() + s.by()
	e.About = s.doubt()
	switch g {
	case out:
		e.About = "It is due back at " + s.Garage + " by " + s.clock(s.BookedUntil) + "."
	case late:
		e.About = "It was due back at " + s.Garage + " by " + s.clock(s.BookedUntil) + ", and is not back."
	case offered:
		e.About = sentences("It is held for somebody until "+s.clock(*s.OfferUntil)+".", e.About)
	case undecided:
		e.About = sentences("One of several is chosen by "+s.clock(*s.DecideBy)+".", e.About)
	}
	return e
}

// overTheCounter are the events in the calendar of the garage: that a tool goes out,
// and that it comes back.
func (s stretch) overTheCounter() []Event {
	g := s.stage()
	from, until := s.had()
	there, home := s.event(goesOut), s.event(comesBack)
	there.From, there.Until = from, from.Add(quarter)
	home.From, home.Until = until, until.Add(quarter)
	verb := "Goes out"
	if s.CollectedAt != nil {
		verb = "Went out"
	}
	if g == givenUp {
		verb = "Cancelled, does not go out"
	}
	there.Summary = verb + ": " + s.what() + s.by()
	there.About = map[stage]string{offered: "It is only offered yet.", awaiting: "It waits for approval and must not go out before.", undecided: "One of several, not decided yet."}[g]
	there.About = sentences(there.About, s.doubt())
	home.Summary = map[stage]string{late: "Late, was to come back", back: "Came back", passedOn: "Was passed on", lost: "Lost, does not come back", givenUp: "Cancelled, does not come back"}[g]
	if home.Summary == "" {
		home.Summary = "Comes back"
	}
	home.Summary += ": " + s.what() + s.by()
	if g == lost {
		home.Status = Cancelled
	}
	if g <= late {
		home.About = "It is to be cleaned and looked at before it goes out again."
	}
	return []Event{there, home}
}

// event is a whole day.
func (d dueDate) event() Event {
	e := Event{UID: uid(d.Thing, 0, d.What), Changed: d.ChangedAt, Sequence: d.Sequence, Status: Confirmed, From: d.On, Until: d.On.Add(day), WholeDays: true,
		Place: place(d.Garage, d.Address)}
	what := d.Model + ", tool " + d.Tool
	if d.What == calibration {
		e.Category, e.Summary = "Calibration", "Calibration due: "+what
		e.About = "Have it calibrated by then; it is not to be lent or measured with beyond that day."
	} else {
		e.Category, e.Summary = "Inspection", "Inspection due: "+what
		e.About = "Have it inspected by then, by somebody who is licensed for it where the law asks for that."
	}
	return e
}

// event is whole days.
func (c closure) event() Event {
	e := Event{UID: uid(c.ID, 0, closed), Made: c.RecordedAt, Changed: c.RecordedAt, Status: Confirmed, From: c.FirstDay, Until: c.LastDay.Add(day), WholeDays: true,
		Summary: "Closed: " + c.Garage, Place: place(c.Garage, c.Address), Category: "Closure", About: c.Reason}
	if c.WholeClub {
		e.Summary = "The whole club is closed"
	}
	return e
}
