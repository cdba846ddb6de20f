package api

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/lending"
	"pinwright/internal/plot"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
	"pinwright/internal/repair"
	"pinwright/internal/workplan"
)

// workplanOut is a plan with what is reserved for its repair now. The contract names its
// members as package workplan keeps them.
func workplanOut(label string, p workplan.Plan, newest bool, booked []workplan.Booked) Plan {
	out := recast[Plan](p.Content)
	out.Id, out.RepairId, out.Repair, out.Number, out.Newest, out.MadeAt, out.MemberId = p.ID, p.RepairID, label, p.Number, newest, p.MadeAt, p.MemberID
	lines := workplan.Lines(p.Content, booked)
	out.Reservations = recast[[]PlanLine](lines)
	out.Digest, out.DoNext = workplan.Digest(booked), remarksOut(planNext(label, p, newest, lines))
	return out
}

// planNext says what to do with a plan.
func planNext(label string, p workplan.Plan, newest bool, lines []workplan.Line) []recommend.Remark {
	if !newest {
		return []recommend.Remark{{Code: "newer_plan", Text: "There is a newer plan; look at that: GET repairs/" + label + "/plans/newest."}}
	}
	count := map[string]int{}
	for _, l := range lines {
		count[l.State]++
	}
	out := []recommend.Remark{}
	say := func(code string, n int, one, many string) {
		if n > 0 {
			text := one
			if n > 1 {
				text = fmt.Sprintf(many, n)
			}
			out = append(out, recommend.Remark{Code: code, Params: map[string]any{"count": n}, Text: text})
		}
	}
	at := fmt.Sprintf("POST repairs/%s/plans/%d/reservations", label, p.Number)
	say("reserve", count[workplan.ToMake], "One tool is to be reserved: "+at+".", "%d tools are to be reserved, together: "+at+".")
	say("move", count[workplan.ToMove], "One tool is reserved for another time than this plan needs: "+at+" with {\"move\": true} moves it.", "%d tools are reserved for another time than this plan needs: "+at+" with {\"move\": true} moves them, all or none.")
	say("look_over", count[workplan.NotNeeded], "One reserved tool is needed by no step; name its line in `give_up` there if nothing else needs it.", "%d reserved tools are needed by no step; name their lines in `give_up` there if nothing else needs them.")
	if len(p.Content.Steps) > 0 {
		first := p.Content.Steps[0]
		out = append(out, recommend.Remark{Code: "begin_step", Params: map[string]any{"step": first.Ref}, Text: "First comes " + first.Ref + ": " + first.Name + "."})
	}
	return out
}

// ListPlans implements the contract.
func (s *Server) ListPlans(c echo.Context, _ InClub, name InRepair, _ ListPlansParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		before := 1 << 30
		if n, err := strconv.Atoi(p.key(0, "")); err == nil {
			before = n
		}
		of := repair.Find(b, name)
		newest := workplan.Newest(b, name)
		found := workplan.List(b, name, before, p.limit+1)
		booked := workplan.FindBooked(b, name)
		return func() (answer, error) {
			w, err := of.Work()
			if err != nil {
				return answer{}, err
			}
			all, err := found.Items()
			if err != nil {
				return answer{}, err
			}
			last, err := newest.Items()
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, all, func(p workplan.Plan) []string { return []string{strconv.Itoa(p.Number)} })
			return in.listed(PlanPage{Items: each(items, func(p workplan.Plan) Plan { return workplanOut(w.Label(), p, p.ID == last[0].ID, booked.Items) }), Next: next}, next), nil
		}
	})
}

// CreatePlan implements the contract.
func (s *Server) CreatePlan(c echo.Context, _ InClub, name InRepair, _ CreatePlanParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		ask := recast[workplan.Ask](decode[PlanIn](in))
		basis := workplan.Lock(b, name, in.now)
		return func(tx *postgres.Tx) (answer, error) {
			p, w, err := basis.Make(in.ctx, tx, newID(), in.caller.MemberID, time.Duration(in.caller.Turnaround)*time.Hour, ask)
			if err == nil {
				err = workplan.Add(tx, p, w.Version)
			}
			if err != nil {
				return answer{}, err
			}
			return created(in.path("repairs", w.ID.String(), "plans", strconv.Itoa(p.Number)), workplanOut(w.Label(), p, true, basis.Booked())), nil
		}
	})
}

// onPlan answers with a plan of a repair.
func (s *Server) onPlan(c echo.Context, name, plan string, show func(w *repair.Work, p workplan.Plan, newest bool, booked []workplan.Booked) answer) error {
	return s.read(c, func(b *postgres.Batch, _ *call) func() (answer, error) {
		of := repair.Find(b, name)
		found, newest := workplan.Find(b, name, plan), workplan.Newest(b, name)
		booked := workplan.FindBooked(b, name)
		return func() (answer, error) {
			w, err := of.Work()
			if err != nil {
				return answer{}, err
			}
			p, err := found.One()
			if err != nil {
				return answer{}, err
			}
			last, err := newest.One()
			if err != nil {
				return answer{}, err
			}
			return show(w, p, p.ID == last.ID, booked.Items), nil
		}
	})
}

// GetPlan implements the contract.
func (s *Server) GetPlan(c echo.Context, _ InClub, name InRepair, plan InWorkplan) error {
	return s.onPlan(c, name, plan, func(w *repair.Work, p workplan.Plan, newest bool, booked []workplan.Booked) answer {
		return ok(workplanOut(w.Label(), p, newest, booked))
	})
}

// GetPlanPicture implements the contract.
func (s *Server) GetPlanPicture(c echo.Context, _ InClub, name InRepair, plan InWorkplan, params GetPlanPictureParams) error {
	return s.onPlan(c, name, plan, func(w *repair.Work, p workplan.Plan, _ bool, _ []workplan.Booked) answer {
		return drawnInClub(planDrawing(w.Label(), p).SVG(schemeOf(params.Scheme)))
	})
}

// planDrawing puts the steps of one name into one row.
func planDrawing(label string, p workplan.Plan) plot.Schedule {
	c := p.Content
	zone, err := time.LoadLocation(c.TimeZone)
	if err != nil {
		zone = time.UTC // a zone that was taken out of the rules since
	}
	first := dateIn(zone, c.BeginsAt)
	out := plot.Schedule{Title: fmt.Sprintf("%s, plan %d", label, p.Number), Summary: c.Summary, Zero: first, Zone: zone}
	out.Days = float64(dateIn(zone, c.EndsAt).Sub(first).Hours()/24) + 1
	rows := map[string]int{}
	for _, s := range c.Steps {
		k, known := rows[s.Name]
		if !known {
			k = len(out.Rows)
			rows[s.Name] = k
			out.Rows = append(out.Rows, plot.ScheduleRow{Name: s.Name})
		}
		bar := plot.Bar{From: out.At(s.BeginsAt), Worked: out.At(s.WorkedAt), Until: out.At(s.EndsAt), Latest: out.At(s.LatestAt), Chain: slices.Contains(c.Chain, s.Ref), Delivery: s.Ref == "delivery",
			Words: s.Ref + " " + s.BeginsAt.In(zone).Format("Mon 2 Jan 15:04") + " to " + s.EndsAt.In(zone).Format("Mon 2 Jan 15:04")}
		out.Rows[k].Bars = append(out.Rows[k].Bars, bar)
	}
	return out
}

// ReservePlan implements the contract.
func (s *Server) ReservePlan(c echo.Context, _ InClub, name InRepair, plan InWorkplan, _ ReservePlanParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[PlanReserveIn](in)
		r := workplan.LockToReserve(b, name, plan)
		want := workplan.Wanted{Move: or(body.Move, false), Digest: or(body.Digest, ""),
			GiveUp: each(or(body.GiveUp, nil), func(l BookedLineIn) workplan.BookedLine {
				return workplan.BookedLine{Reservation: l.ReservationId, Line: l.Line}
			})}
		return func(tx *postgres.Tx) (answer, error) {
			done, err := r.Reserve(in.ctx, tx, lending.Holder(in.bearer.Holder(), in.bearer.Key()), in.booker(newID()), want)
			if err != nil {
				return answer{}, err
			}
			out := PlanReserved{RepairId: done.Plan.RepairID, Number: done.Plan.Number, Reservations: recast[[]PlanLine](done.Lines), Digest: done.Digest, Summary: done.Summary()}
			if len(done.Changed) > 0 {
				out.Changed = pointerTo(each(done.Changed, func(r lending.Reservation) Reservation { return reservationOut(r, in.caller.Currency) }))
			}
			if done.Made != nil {
				out.Reservation = pointerTo(reservationOut(*done.Made, in.caller.Currency))
			}
			return ok(out), nil
		}
	})
}
