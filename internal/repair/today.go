package repair

import (
	"fmt"
	"slices"
	"time"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
)

// mostAtAGarage bounds how many open repairs of a garage are looked at for a day.
const mostAtAGarage = 200

// Today is what a garage's open repairs want on one day.
type Today struct {
	Garage  club.Garage
	Begins  time.Time // of the day, by the garage's clock
	Ends    time.Time
	Timers  []AtTimer // that run: overstaying ones first, then by when they are due
	Rounds  []AtTimer // of these, next rounds that are due by the end of the day
	Ready   []AtStep  // steps that may be begun or finished
	Repairs int
	CutOff  bool // there are more repairs
}

// AtTimer is a timer beside its repair.
type AtTimer struct {
	Work *Work
	Timer
}

// AtStep is a step beside its repair.
type AtStep struct {
	Work *Work
	StepView
}

// AskedToday is a day that is looked up.
type AskedToday struct {
	garage *postgres.Rows[club.Garage]
	works  *Asked
}

// LookUpToday looks a garage's open repairs up. Served by repair_open_at.
func LookUpToday(b *postgres.Batch, garage postgres.Ref) *AskedToday {
	return &AskedToday{garage: club.FindGarage(b, garage),
		works: find(b, ``, `r.state = 'open' and r.garage_id = (select g.id from garage g where g.club_id = $1 and (g.id = $2 or g.code = $3)) order by r.id limit $4`, garage.ID, garage.Name, mostAtAGarage+1)}
}

// Result is the day as it stands at now; without the garage it is problem.Absent.
func (a *AskedToday) Result(now time.Time) (*Today, error) {
	g, err := a.garage.One()
	if err != nil {
		return nil, err
	}
	works, err := a.works.Works()
	if err != nil {
		return nil, err
	}
	t := &Today{Garage: g, CutOff: len(works) > mostAtAGarage, Repairs: min(len(works), mostAtAGarage)}
	zone, err := time.LoadLocation(g.TimeZone)
	if err != nil {
		return nil, fmt.Errorf("repair: the garage %s: %w", g.Code, err)
	}
	y, m, d := now.In(zone).Date()
	t.Begins, t.Ends = time.Date(y, m, d, 0, 0, 0, 0, zone).UTC(), time.Date(y, m, d+1, 0, 0, 0, 0, zone).UTC()
	for _, w := range works[:t.Repairs] {
		for _, timer := range w.Timers {
			if timer.StoppedAt != nil {
				continue
			}
			at := AtTimer{Work: w, Timer: timer}
			t.Timers = append(t.Timers, at)
			if timer.Kind == Repeat && timer.DueAt.Before(t.Ends) {
				t.Rounds = append(t.Rounds, at)
			}
		}
		for _, v := range w.Views(now) {
			if v.Ready {
				t.Ready = append(t.Ready, AtStep{Work: w, StepView: v})
			}
		}
	}
	slices.SortStableFunc(t.Timers, func(a, b AtTimer) int {
		if x, y := a.State(now) == "overstaying", b.State(now) == "overstaying"; x != y {
			if x {
				return -1
			}
			return 1
		}
		return a.DueAt.Compare(b.DueAt)
	})
	slices.SortStableFunc(t.Rounds, func(a, b AtTimer) int { return a.DueAt.Compare(b.DueAt) })
	return t, nil
}

// Summary says what the day brings.
func (t *Today) Summary(now time.Time) string {
	due, over := 0, 0
	for _, timer := range t.Timers {
		switch timer.State(now) {
		case "due":
			due++
		case "overstaying":
			over++
		}
	}
	timers := counted(len(t.Timers), "timer runs", "timers run")
	if len(t.Timers) > 0 {
		timers += fmt.Sprintf(", of which %s and %s", counted(due, "is due", "are due"), counted(over, "overstays", "overstay"))
	}
	return fmt.Sprintf("%s at %s: %s; %s to be done today, and %s may go on.", counted(t.Repairs, "open repair", "open repairs"), t.Garage.Code, timers,
		counted(len(t.Rounds), "round is", "rounds are"), counted(len(t.Ready), "step", "steps"))
}

// counted is n with what it counts.
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// DoNext says what to do, most pressing first.
func (t *Today) DoNext(now time.Time) []recommend.Remark {
	var out []recommend.Remark
	for _, r := range t.Rounds {
		out = append(out, recommend.Remark{Code: "begin_round", Params: map[string]any{"repair": r.Work.Label(), "step": r.Work.RefOf(r.StepID)},
			Text: r.Work.Label() + ", " + r.Work.TimerText(r.Timer, now)})
	}
	for _, s := range t.Ready {
		for _, r := range s.DoNext {
			if r.Code != "begin_round" {
				out = append(out, recommend.Remark{Code: r.Code, Params: map[string]any{"repair": s.Work.Label(), "step": s.Ref}, Text: s.Work.Label() + ": " + r.Text})
			}
		}
	}
	if len(out) > mostTold {
		out = out[:mostTold]
	}
	return out
}

// Warnings are of what overstays.
func (t *Today) Warnings(now time.Time) []recommend.Remark {
	var out []recommend.Remark
	for _, timer := range t.Timers {
		if timer.State(now) != "overstaying" {
			continue
		}
		i := slices.IndexFunc(timer.Work.Steps, func(s Step) bool { return s.ID == timer.StepID })
		for _, r := range timer.Work.overstays(timer.Work.View(timer.Work.Steps[i], now), now) {
			out = append(out, recommend.Remark{Code: r.Code, Params: map[string]any{"repair": timer.Work.Label(), "step": timer.Work.RefOf(timer.StepID)}, Text: timer.Work.Label() + ": " + r.Text})
		}
	}
	return out
}
