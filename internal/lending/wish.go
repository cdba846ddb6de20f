package lending

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Wish is what a member asks for: all of its lines or none.
type Wish struct {
	Lines  []Line
	Common When // for lines without a time of their own
	// NextFree, when not zero, asks instead for the next stretch of that length
	// from Now on in which everything is free together.
	NextFree       time.Duration
	Now            time.Time
	Purpose        string
	Recommendation *uuid.UUID
}

// Line asks for one tool by id or number, or for any tool of a model by id or
// code.
type Line struct {
	Tool, Model string
	When
}

// in returns when line i is wanted, and where that stands in the request.
func (w Wish) in(i int) (When, string) {
	if w.Lines[i].isGiven() {
		return w.Lines[i].When, fmt.Sprintf("/lines/%d", i)
	}
	return w.Common, ""
}

// formFaults reports what is wrong with w that no lookup is needed for.
func (w Wish) formFaults() []problem.Fault {
	var faults []problem.Fault
	both := func(when When, at string) {
		if when.Period != nil && when.Days != nil {
			faults = append(faults, problem.Fault{Pointer: at + "/days", Detail: "give `period` or `days`, not both"})
		}
	}
	both(w.Common, "")
	if w.NextFree > 0 {
		if w.Common.isGiven() || slices.ContainsFunc(w.Lines, func(l Line) bool { return l.isGiven() }) {
			faults = append(faults, problem.Fault{Pointer: "/next_free_hours", Detail: "stands instead of periods and days; give one or the other"})
		}
		return append(faults, w.lineFaults()...)
	}
	for i, line := range w.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		both(line.When, at)
		if !line.isGiven() && !w.Common.isGiven() {
			faults = append(faults, problem.Fault{Pointer: at + "/period", Detail: "give this line a `period` or `days`, or the request one for all lines"})
		}
	}
	return append(faults, w.lineFaults()...)
}

// lineFaults reports lines that do not name one thing.
func (w Wish) lineFaults() []problem.Fault {
	var faults []problem.Fault
	for i, line := range w.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		switch {
		case line.Tool == "" && line.Model == "":
			faults = append(faults, problem.Fault{Pointer: at, Detail: "name a `tool`, or a `tool_model` of which any will do"})
		case line.Tool != "" && line.Model != "":
			faults = append(faults, problem.Fault{Pointer: at + "/tool_model", Detail: "name a `tool` or a `tool_model`, not both; use two lines for two tools"})
		}
	}
	return faults
}

// tool is a tool that a line may be served by, locked.
type tool struct {
	ID        uuid.UUID
	Number    string
	State     string
	ModelID   uuid.UUID
	ModelCode string
	Caution   string
	Changes   int64 // of the tool and its model
	TimeZone  string
	Opens     int
	Closes    int

	place place `db:"-"`
}

const inService = "in_service"

type modelName struct {
	ID   uuid.UUID
	Code string
}

// heldRow is a stretch for which a tool is promised.
type heldRow struct {
	ToolID    uuid.UUID
	HeldFrom  time.Time
	HeldUntil time.Time
}

// Order is a wish with what was looked up and locked for it.
type Order struct {
	wish            Wish
	tools           *postgres.Rows[tool]
	models          *postgres.Rows[modelName]
	held            *postgres.Rows[heldRow]
	recommendations *postgres.Rows[uuid.UUID]
	free            *Free // of a wish for the next free stretch
}

// outlook is how far ahead the next free stretch is looked for.
const outlook = 180 * 24 * time.Hour

// take gives a wish for the next free stretch its period; false when there is
// none within the outlook.
func (o *Order) take() bool {
	if o.free == nil || o.wish.Common.isGiven() {
		return true
	}
	periods := o.free.Periods()
	if len(periods) == 0 {
		return false
	}
	o.wish.Common.Period = &Period{From: periods[0].From, Until: periods[0].From.Add(o.wish.NextFree)}
	return true
}

// longestTurnaround is the greatest that a club can set.
const longestTurnaround = 240 * time.Hour

// wanted are the ids of all tools that may serve a line. Each name is looked up
// by its own index (tool_number, tool_model_code, tool_of_model), where conditions
// joined by "or" would read every tool of the club.
const wanted = `array(
	select id from tool where club_id = $1 and id = any($2::uuid[])
	union select id from tool where club_id = $1 and number = any($3::text[])
	union select t.id from tool_model m join tool t on t.club_id = m.club_id and t.model_id = m.id where m.club_id = $1 and m.id = any($4::uuid[])
	union select t.id from tool_model m join tool t on t.club_id = m.club_id and t.model_id = m.id where m.club_id = $1 and m.code = any($5::text[]))`

// Lock queues the lookups of w: every tool that may serve a line is locked, in
// the order of ids, until the end of the write; what they are promised for is
// read behind the locks, so that it is still true when the write commits.
func Lock(b *postgres.Batch, w Wish) *Order {
	o := &Order{wish: w}
	var toolIDs, modelIDs []uuid.UUID
	var numbers, codes []string
	sort := func(text string, ids *[]uuid.UUID, names *[]string) {
		if text == "" {
			return
		}
		if id, name := named(text); id != nil {
			*ids = append(*ids, *id)
		} else {
			*names = append(*names, *name)
		}
	}
	var span Period
	for i, line := range w.Lines {
		sort(line.Tool, &toolIDs, &numbers)
		sort(line.Model, &modelIDs, &codes)
		if when, _ := w.in(i); when.isGiven() {
			s := when.span()
			if span.From.IsZero() || s.From.Before(span.From) {
				span.From = s.From
			}
			if s.Until.After(span.Until) {
				span.Until = s.Until
			}
		}
	}
	if w.NextFree > 0 {
		span = Period{From: w.Now, Until: w.Now.Add(outlook)}
	}
	if span.Until.Before(span.From) {
		span.Until = span.From // a fault that is told later; here it must only not break the query
	}
	span = span.behind(longestTurnaround).kept()
	o.tools = postgres.Query[tool](b, `
		select t.id, t.number, t.state, t.model_id, m.code as model_code, m.caution, t.version + m.version - 2 as changes, g.time_zone,
		       extract(epoch from g.opens)::integer / 60 as opens, extract(epoch from g.closes)::integer / 60 as closes
		from tool t
		join tool_model m on m.club_id = t.club_id and m.id = t.model_id
		join garage g on g.club_id = t.club_id and g.id = t.garage_id
		where t.club_id = $1 and t.id = any(`+wanted+`)
		order by t.id for no key update of t`, b.Club, toolIDs, numbers, modelIDs, codes)
	o.models = postgres.Query[modelName](b, `select id, code from tool_model where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, modelIDs, codes)
	// Served by booking_ahead.
	o.held = postgres.Query[heldRow](b, `
		select w.tool_id, lower(b.held) as held_from, upper(b.held) as held_until
		from unnest(`+wanted+`) as w(tool_id)
		join booking b on b.club_id = $1 and b.tool_id = w.tool_id
		where b.state not in ('returned', 'cancelled') and b.held_until > $6 and b.held && tstzrange($6, $7)`, b.Club, toolIDs, numbers, modelIDs, codes, span.From, span.Until)
	if w.NextFree > 0 { // behind the locks, so that what is free stays free
		need := Need{}
		for _, l := range w.Lines {
			if l.Tool != "" {
				need.Tools = append(need.Tools, l.Tool)
			} else if l.Model != "" {
				need.Models = append(need.Models, l.Model)
			}
		}
		o.free = CommonFree(b, need, span, w.NextFree, 1)
	}
	if w.Recommendation != nil {
		o.recommendations = postgres.Values[uuid.UUID](b, `select id from recommendation where club_id = $1 and id = $2`, b.Club, *w.Recommendation)
	}
	return o
}

// ask is one line with all that may serve it.
type ask struct {
	line    int
	name    string // as the member wrote it
	isModel bool
	options []option // by tool number; none when nothing may be lent
	idle    []*tool  // tools of that name that are not in service
}

// option is one tool in one period.
type option struct {
	tool   *tool
	period Period
	held   Period
}

// asks resolves the lines, moved by shift days. Faults are what the member
// must mend.
func (o *Order) asks(shift int, turnaround time.Duration, now time.Time) ([]ask, []problem.Fault) {
	var asks []ask
	var faults []problem.Fault
	for i, line := range o.wish.Lines {
		a := ask{line: i, name: cmp.Or(line.Tool, line.Model), isModel: line.Tool == ""}
		if a.name == "" {
			continue // told by formFaults
		}
		tools := o.serving(line)
		if tools == nil {
			pointer, list := fmt.Sprintf("/lines/%d/tool", i), "tools"
			if a.isModel {
				pointer, list = fmt.Sprintf("/lines/%d/tool_model", i), "tool-models"
			}
			faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no “%s” in this club; check the spelling, or GET %s", a.name, list)})
			continue
		}
		when, at := o.wish.in(i)
		if !when.isGiven() {
			continue // told by formFaults
		}
		var refused []problem.Fault
		for _, t := range tools {
			period := when.resolve(t.place, shift, now)
			wrong := when.faults(at, period, now)
			switch {
			case len(wrong) > 0 && refused == nil:
				refused = wrong
			case len(wrong) > 0:
			case t.State != inService:
				a.idle = append(a.idle, t)
			default:
				a.options = append(a.options, option{tool: t, period: period, held: period.behind(turnaround)})
			}
		}
		if len(a.options) == 0 && len(a.idle) == 0 {
			faults = append(faults, refused...)
		}
		asks = append(asks, a)
	}
	return asks, faults
}

// serving returns the tools that may serve line, by number; nil when there is
// nothing of that name.
func (o *Order) serving(line Line) []*tool {
	var out []*tool
	if line.Tool != "" {
		id, name := named(line.Tool)
		for i := range o.tools.Items {
			if t := &o.tools.Items[i]; id != nil && t.ID == *id || name != nil && t.Number == *name {
				out = append(out, t)
			}
		}
		return out
	}
	id, name := named(line.Model)
	for _, m := range o.models.Items {
		if id != nil && m.ID == *id || name != nil && m.Code == *name {
			out = []*tool{}
			for i := range o.tools.Items {
				if t := &o.tools.Items[i]; t.ModelID == m.ID {
					out = append(out, t)
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b *tool) int { return cmp.Compare(a.Number, b.Number) })
	return out
}

// settle finds the tools' places.
func (o *Order) settle() error {
	for i := range o.tools.Items {
		t := &o.tools.Items[i]
		zone, err := time.LoadLocation(t.TimeZone)
		if err != nil {
			return fmt.Errorf("lending: zone of the garage of tool %s: %w", t.ID, err)
		}
		t.place = place{zone: zone, opens: t.Opens, closes: t.Closes}
	}
	return nil
}

// repeated reports lines that ask for one tool twice at the same time.
func repeated(asks []ask, turnaround time.Duration) []problem.Fault {
	var faults []problem.Fault
	for i, a := range asks {
		for _, b := range asks[:i] {
			if !a.isModel && !b.isModel && len(a.options) == 1 && len(b.options) == 1 &&
				a.options[0].tool == b.options[0].tool && a.options[0].held.overlaps(b.options[0].held) {
				faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/lines/%d/tool", a.line),
					Detail: fmt.Sprintf("line %d has this tool for that time already (a turnaround of %s is kept after each period); make one line of the two", b.line, inHours(turnaround))})
				break
			}
		}
	}
	return faults
}

// unlendable reports lines of which nothing is in service.
func unlendable(asks []ask) []UnlendableLine {
	var out []UnlendableLine
	for _, a := range asks {
		if len(a.options) > 0 {
			continue
		}
		u := UnlendableLine{Line: a.line, Detail: fmt.Sprintf("The club has no %s to lend; ask a tool keeper.", a.name)}
		var states []string
		for _, t := range a.idle {
			u.Tools = append(u.Tools, t.Number)
			states = append(states, t.Number+" "+stateInWords[t.State])
		}
		if len(states) > 0 {
			u.Detail = sentence(strings.Join(states, ", "), "and may not be lent; choose another, or ask a tool keeper")
		}
		out = append(out, u)
	}
	return out
}
