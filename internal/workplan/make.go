package workplan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/criticalpath"
	"pinwright/internal/calc/leadtime"
	"pinwright/internal/club"
	"pinwright/internal/opening"
	"pinwright/internal/parts"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/repair"
)

// quarter is what a beginning is rounded up to, so that times read well.
const quarter = 15 * time.Minute

// Make makes the next plan of a repair. In the middle of the write it asks once more,
// when the tools that the steps borrow can be had. What cannot be planned is an
// invalid request with what to change of it.
func (b *Basis) Make(ctx context.Context, tx *postgres.Tx, id, by uuid.UUID, turnaround time.Duration, ask Ask) (Plan, *repair.Work, error) {
	w, err := b.Work.Work()
	if err != nil {
		return Plan{}, nil, err
	}
	if w.State != repair.Open {
		return Plan{}, w, problem.New(problem.NotAllowedNow, "%s is %s, so nothing of it is left to plan.", w.Label(), w.State)
	}
	plans, err := b.Before.Items()
	if err != nil {
		return Plan{}, w, err
	}
	var before *Plan
	if len(plans) > 0 {
		before = &plans[0]
		ask = ask.Over(before.Content.Ask)
	} else {
		ask = ask.Over(Ask{})
	}
	if faults := ask.Faults(tx.Now); len(faults) > 0 {
		return Plan{}, w, problem.Invalid(faults...)
	}
	if err := b.open.Settle(); err != nil {
		return Plan{}, w, err
	}
	d := &drawing{w: w, ask: ask, now: tx.Now, place: b.open.Place(w.GarageID)}
	d.supplies = &supplies{w: w, ask: ask, models: b.models.Items, supply: b.pins.Items, took: b.took, booked: b.booked.Items, noted: map[string]bool{}, turnaround: turnaround}
	needs := b.orders.Of(w, 0)
	d.orders, d.deliveries, d.ordered = needs.Orders, b.orders.Deliveries, needs.Ordered()
	if err := d.prepare(ctx, tx); err != nil {
		return Plan{}, w, err
	}
	content, err := d.draw(before)
	if err != nil {
		return Plan{}, w, err
	}
	p := Plan{ID: id, RepairID: w.ID, Number: 1, MadeAt: tx.Now.UTC().Truncate(time.Microsecond), MemberID: by, Content: content}
	if before != nil {
		p.Number = before.Number + 1
	}
	return p, w, nil
}

// noon is when a parcel is taken to be there on its day.
const noon = 12 * time.Hour

// drawing is a plan that is being made.
type drawing struct {
	w          *repair.Work
	ask        Ask
	now        time.Time
	zone       *time.Location
	place      *opening.Place
	supplies   *supplies
	orders     []parts.Order // for the repair
	deliveries *parts.Deliveries
	ordered    bool // all pins, bushes and parts that are needed were
	zero       time.Time
	from       time.Time
	until      time.Time
	free       []Period
	arrival    arrival
}

func (d *drawing) prepare(ctx context.Context, tx *postgres.Tx) error {
	if faults := d.supplies.faults(); len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	var err error
	if d.zone, err = time.LoadLocation(d.w.TimeZone); err != nil {
		return fmt.Errorf("workplan: zone of the garage %s: %w", d.w.GarageCode, err)
	}
	d.zero = d.now.UTC().Truncate(time.Minute)
	d.from = d.now.UTC().Truncate(quarter)
	if d.from.Before(d.now) {
		d.from = d.from.Add(quarter)
	}
	if d.ask.Start != nil && d.ask.Start.After(d.from) {
		d.from = d.ask.Start.UTC()
	}
	d.until = d.from.Add(outlook)
	if d.ask.FinishBy != nil {
		d.until = later(d.until, *d.ask.FinishBy)
	}
	d.free = d.ask.Free.spans(d.zone, d.zero, d.until)
	if !slices.ContainsFunc(d.free, func(p Period) bool { return p.Until.After(d.from) }) {
		return problem.Invalid(problem.Fault{Pointer: "/free", Detail: "none of it lies between " + d.show(d.from) + " and " + d.show(d.until) + "; say when you are free then"})
	}
	if d.arrival, err = d.expected(); err != nil {
		return err
	}
	return d.supplies.look(ctx, tx, d.zero, d.until)
}

// expected is when parts are there: those that were ordered for the repair, or else what
// is ordered now.
func (d *drawing) expected() (arrival, error) {
	out := arrival{whole: d.ordered}
	for _, o := range d.orders {
		if o.State() != parts.Open {
			continue
		}
		law, err := d.deliveries.Expect(o.SupplierID, &o, parts.Day(d.now.In(d.zone)))
		if err != nil {
			return out, err
		}
		for _, q := range law.Quantiles { // those of the contract
			if q.P == d.ask.Quantile && q.On != nil {
				due := club.Clock(d.zone, q.On.Add(noon))
				if out.due == nil || due.After(*out.due) {
					out.due = &due
				}
			}
		}
	}
	if out.due != nil {
		out.notes = append(out.notes, Note{Code: "expected_delivery", Params: map[string]any{"quantile": d.ask.Quantile}, Text: fmt.Sprintf("What was ordered for the repair is expected by %s, with a chance of %.0f %%.", out.due.In(d.zone).Format(time.DateOnly), 100*d.ask.Quantile)})
	}
	if d.ask.LeadDays != nil {
		out.days = *d.ask.LeadDays
		return out, nil
	}
	// The slowest of the joints' series counts: of each the longest time that is stated, and all
	// that it took before.
	type series struct {
		said     *int
		took     []int
		supplier *uuid.UUID
		name     string
	}
	byJoint, joints := map[uuid.UUID]*series{}, []uuid.UUID{}
	for _, p := range d.supplies.supply {
		s := byJoint[p.JointID]
		if s == nil {
			s = &series{supplier: p.SupplierID, name: p.Supplier}
			for _, days := range p.DeliveryDays {
				s.took = append(s.took, int(days))
			}
			byJoint[p.JointID], joints = s, append(joints, p.JointID)
		}
		if p.LeadDays != nil && (s.said == nil || *p.LeadDays > *s.said) {
			s.said = p.LeadDays
		}
	}
	if len(joints) == 0 {
		byJoint[uuid.Nil], joints = &series{}, append(joints, uuid.Nil)
	}
	seen, nobody, of := 0, false, "the series"
	for _, joint := range joints {
		s := byJoint[joint]
		if s.supplier != nil { // the club keeps what its orders took
			days, rests, err := d.bySupplier(*s.supplier)
			if err != nil {
				return out, err
			}
			if days >= out.days {
				out.days, seen, of = days, rests, s.name
			}
			continue
		}
		law, err := leadtime.Learn(leadtime.DefaultPrior(s.said), leadtime.History{Delivered: s.took})
		if err != nil {
			return out, err
		}
		days, err := law.Quantile(d.ask.Quantile)
		if err != nil {
			return out, err
		}
		nobody = nobody || s.said == nil && len(s.took) == 0
		if days >= out.days {
			out.days, seen, of = days, len(s.took), "the series"
		}
	}
	text := fmt.Sprintf("Parts are taken to arrive within %d days of ordering, with a chance of %.0f %%; this rests on %d deliveries of %s.", out.days, 100*d.ask.Quantile, seen, of)
	if nobody {
		text += " Nobody states how long they take, so a week was taken, and not much sure of (common practice, no published source)."
	}
	out.notes = append(out.notes, Note{Code: "assumed_delivery", Params: map[string]any{"days": out.days, "quantile": d.ask.Quantile, "deliveries": seen}, Text: text})
	return out, nil
}

// bySupplier is what parts take of a supplier at the quantile asked for, and on how many
// deliveries that rests.
func (d *drawing) bySupplier(id uuid.UUID) (days, rests int, err error) {
	law, err := d.supplies.took.Expect(id, nil, parts.Day(d.now.In(d.zone)))
	if err != nil {
		return 0, 0, err
	}
	for _, q := range law.Quantiles { // those of the contract
		if q.P <= d.ask.Quantile {
			days = q.Days
		}
	}
	return days, law.Deliveries, nil
}

func (d *drawing) network(ordering string) *network {
	return build(d.w, d.ask, ordering, d.from, d.free, d.zero, d.arrival, d.supplies.of, d.supplies.within)
}

// draw makes the content of the plan.
func (d *drawing) draw(before *Plan) (Content, error) {
	c := Content{Ask: d.ask, Garage: d.w.GarageCode, TimeZone: d.w.TimeZone, Changes: []Change{}, Warnings: []Note{}, Cautions: []Note{}}
	n := d.network(d.ask.Ordering)
	if len(n.steps) == 0 {
		return c, problem.New(problem.NotAllowedNow, "All steps of %s are closed; look it through and sign it off.", d.w.Label())
	}
	was := map[string]Step{}
	if before != nil {
		for _, s := range before.Content.Steps {
			if s.State == repair.StepOpen {
				was[s.Ref] = s
			}
		}
	}
	var by *int64
	if d.ask.FinishBy != nil {
		at := n.floor(*d.ask.FinishBy)
		by = &at
	}
	// Towards another finish everything begins as late as that allows.
	anew := before != nil && d.ask.FinishBy != nil && (before.Content.Ask.FinishBy == nil || !before.Content.Ask.FinishBy.Equal(*d.ask.FinishBy))
	plan, err := criticalpath.Again(n.problem, by, func(i int) (int64, bool) {
		s, known := was[n.steps[i].Ref]
		return n.floor(s.BeginsAt), known && !anew && n.steps[i].State == repair.StepOpen
	})
	if err != nil {
		return c, d.refusal(n, err)
	}
	d.fill(&c, n, plan, by)
	c.Uses = d.supplies.uses(n, c.Steps, d.place)
	if c.Uses == nil {
		c.Uses = []Use{}
	}
	c.Compared = d.compare(n, c)
	if before != nil {
		c.Changes = d.changes(was, c.Steps)
	}
	d.remark(&c)
	d.summarize(&c)
	return c, nil
}

// refusal says what to change of the request so that there is a plan.
func (d *drawing) refusal(n *network, err error) error {
	var late *criticalpath.LateError
	var fit *criticalpath.FitError
	fault := func(at, format string, args ...any) error {
		return problem.Invalid(problem.Fault{Pointer: at, Detail: fmt.Sprintf(format, args...)})
	}
	switch {
	case errors.As(err, &late):
		return fault("/finish_by", "cannot be kept: the earliest finish found is %s. Name that or a later moment, free more hours, or order before measuring", d.show(n.at(late.Earliest.Finish)))
	case errors.As(err, &fit) && fit.Kind == criticalpath.Tools:
		return fault("/tools", "what %s borrows (%s) cannot be had before %s; name another model with `tools`, or say in `at_hand` that you have one", n.steps[fit.Step].Ref, strings.Join(n.steps[fit.Step].Tools, ", "), d.show(d.until))
	case errors.As(err, &fit):
		return fault("/free", "is too little: %s finds no room before %s; free more hours", n.steps[fit.Step].Ref, d.show(d.until))
	}
	return err
}

// fill writes what was placed into the steps of c.
func (d *drawing) fill(c *Content, n *network, plan criticalpath.Plan, by *int64) {
	last := plan.Finish
	if by != nil {
		last = *by
	}
	latest := n.problem.Latest(plan, last)
	reasons := n.problem.Reasons(plan)
	chain := n.problem.Chain(plan, reasons)
	c.EndsAt = n.at(plan.Finish)
	first := plan.Finish
	for i := range n.steps {
		s, at := n.steps[i], plan.Steps[i]
		s.BeginsAt, s.WorkedAt, s.EndsAt, s.LatestAt = n.at(at.Start), n.at(at.Worked), n.at(at.Finish), n.at(latest.Steps[i].Start)
		s.Slack = int(latest.Steps[i].Start - at.Start)
		s.Critical = s.Slack == 0
		s.WaitsFor = d.holds(n, i, reasons[i])
		s.Overstays = overstays(n.problem, plan, i)
		if s.StepID != nil {
			d.rounds(&s)
		}
		c.HandsMinutes += int(n.problem.Steps[i].Work)
		first = min(first, at.Start)
		c.Steps = append(c.Steps, s)
	}
	c.BeginsAt = n.at(first)
	for _, i := range chain {
		c.Chain = append(c.Chain, n.steps[i].Ref)
	}
	c.HeldUp = d.shares(n, plan, reasons, chain)
	slices.SortStableFunc(c.Steps, func(a, b Step) int { return a.BeginsAt.Compare(b.BeginsAt) })
}

// rounds lists when the rounds of a step that repeats are due.
func (d *drawing) rounds(s *Step) {
	for _, r := range d.w.Steps {
		if r.ID != *s.StepID {
			continue
		}
		of := d.w.Of(r)
		if of.Repeat == nil {
			return
		}
		at := s.BeginsAt
		if timer := d.w.TimerOf(r); timer != nil && timer.Kind == repair.Repeat {
			at = later(timer.DueAt.UTC(), d.from)
		}
		for k := r.RoundsDone; k < of.Rounds(); k++ {
			s.Rounds = append(s.Rounds, at)
			at = at.Add(of.Repeat.Every())
		}
	}
}

// overstays is how long the wait of step i goes on beyond its most.
func overstays(p criticalpath.Problem, plan criticalpath.Plan, i int) int {
	if p.Steps[i].Most == 0 {
		return 0
	}
	late := int64(0)
	for j, s := range p.Steps {
		if slices.ContainsFunc(s.After, func(l criticalpath.Link) bool { return l.Of == i }) {
			late = max(late, plan.Steps[j].Start-plan.Steps[i].Worked-p.Steps[i].Most)
		}
	}
	return int(late)
}

// remark says what was taken for granted and what to heed.
func (d *drawing) remark(c *Content) {
	c.Assumed = append(append([]Note{}, d.supplies.notes...), d.arrival.notes...)
	if d.ask.LeadDays == nil && !slices.ContainsFunc(c.Steps, func(s Step) bool { return s.Ref == delivery }) {
		c.Assumed = slices.DeleteFunc(c.Assumed, func(n Note) bool { return n.Code == "assumed_delivery" })
	}
	undecided := false
	codes := []string{}
	for _, s := range d.w.Steps {
		of := d.w.Of(s)
		undecided = undecided || !s.IsClosed() && len(of.OnlyIf) > 0 && s.JointID != nil && d.w.Chosen[*s.JointID].Option == ""
		if !s.IsClosed() {
			for _, code := range of.Cautions {
				if !slices.Contains(codes, code) {
					codes = append(codes, code)
				}
			}
		}
	}
	if undecided {
		c.Assumed = append(c.Assumed, Note{Code: "assumed_option", Params: map[string]any{"option": d.ask.Assume}, Text: "Nothing was decided yet for some joints; they were planned for “" + spelt(d.ask.Assume) + "”."})
	}
	if d.ask.Ordering == AtHand {
		c.Assumed = append(c.Assumed, Note{Code: "parts_at_hand", Text: "All parts that may be needed are taken to be at hand."})
	}
	for _, s := range c.Steps {
		if s.ClosedBy == "another_member" && !slices.ContainsFunc(c.Assumed, func(n Note) bool { return n.Code == "another_member" }) {
			c.Assumed = append(c.Assumed, Note{Code: "another_member", Text: "Another member is taken to be there for what has to be closed by one."})
		}
		if s.Overstays > 0 {
			c.Warnings = append(c.Warnings, Note{Code: "overstays", Params: map[string]any{"step": s.Ref, "minutes": s.Overstays},
				Text: fmt.Sprintf("%s would overstay by %s before you are free again: begin it by itself when somebody can be there, or free the hours behind it.", s.Ref, inDays(int64(s.Overstays)))})
		}
	}
	if d.w.Safety {
		c.Cautions = append(c.Cautions, Note{Code: "advice_not_approval", Text: recommend.SafetyNote})
	}
	for _, r := range recommend.CautionsOf(codes...) {
		c.Cautions = append(c.Cautions, Note{Code: r.Code, Params: r.Params, Text: r.Text})
	}
}

func (d *drawing) show(t time.Time) string { return t.In(d.zone).Format("Mon 2 Jan 2006 15:04") }
