package cutting

import (
	"fmt"
	"math"

	"github.com/google/uuid"

	"pinwright/internal/calc/controlchart"
	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/vehicle"
)

// Coverage is that of every interval of an Answer.
const Coverage = 0.95

// matches is how near a reamer's marked size must be to the one that a step names, nm.
const matches = 2000

// Step is a step of a pin series that a reamer serves.
type Step struct {
	SeriesID   uuid.UUID
	SeriesCode string
	Code       string
	PinNm      int64
	UpperNm    int64 // of the pin's tolerance
	Running    bool  // else its held bore only
}

// QueueSteps asks for the steps that name a reamer's size, of the series named where one is. Served by pin_step_by_reamer
// and pin_step_by_held_reamer.
func QueueSteps(b *postgres.Batch, reamer postgres.Ref, series *postgres.Ref) *postgres.Rows[Step] {
	if series == nil {
		series = &postgres.Ref{}
	}
	return postgres.Query[Step](b, `
		with reamer as (
			select t.club_id, m.size_nm - $6 as low, m.size_nm + $6 as high from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id
			where t.club_id = $1 and (t.id = $2 or t.number = $3) and m.kind = 'reamer'
		), served as (
			select p.series_id, p.ordinal, bool_or(p.running) as running from (
				select p.series_id, p.ordinal, true as running from reamer r join pin_step p on p.club_id = r.club_id and p.reamer_nm between r.low and r.high
				union all
				select p.series_id, p.ordinal, false from reamer r join pin_step p on p.club_id = r.club_id and p.held_reamer_nm between r.low and r.high) p
			group by p.series_id, p.ordinal
		)
		select s.id as series_id, s.code as series_code, p.code, p.pin_nm, p.tolerance_upper_nm as upper_nm, v.running
		from served v join pin_step p on p.club_id = $1 and p.series_id = v.series_id and p.ordinal = v.ordinal
			cross join lateral (select s.id, s.code from pin_series s where s.club_id = $1 and s.id = v.series_id limit 1) s
		where $4::uuid is null and $5 = '' or s.id = $4 or s.code = $5
		order by s.code, p.ordinal`, b.Club, reamer.ID, reamer.Name, series.ID, series.Name, matches)
}

// Question is what is asked of one reamer.
type Question struct {
	Ask
	Risk      float64        // accepted of a hole that becomes too small
	Depth     *length.Length // of the holes to come; nil: as usual
	Material  *string        // that they are cut in; nil: as usual
	Lubricant *string
	Clearance *length.Length // the least between pin and hole; nil: half a thousandth of an inch
	Needed    *length.Length // a least size of the hole, asked beside the steps'
}

// Answer is what is known of one reamer.
type Answer struct {
	Reamer              Reamer
	Question            Question
	Each                float64 // travel of one hole to come, m
	Weighed             bool    // whether any metre, cut or to come, counts otherwise than once
	Mean, Low, High     float64 // of the next hole, µm over the marked size
	Shared, Scatter     float64
	Rate, RateLow       float64 // µm a metre
	RateHigh            float64
	Cuts, Checks        int // of the present life
	Readings, Unseen    int // cutter readings; holes of which no size is known
	Steps               []StepLeft
	Asked               *StepLeft
	Chart               controlchart.Chart // of the events of all lives, oldest first; the newest where there are very many
	Charted             []Event
	ClearanceWasAssumed bool
}

// StepLeft is how long r serves a step.
type StepLeft struct {
	Step
	Needed   *length.Length // least size of the hole; nil: a held bore, for which none is known
	TooSmall float64        // probability that the next hole is smaller
	Holes    int            // left at the risk; -1: no end in sight
}

// Answer tells what r cuts, and how long for each step.
func (r Reamer) Answer(q Question, steps []Step) (Answer, error) {
	l := r.Now()
	law := l.Next()
	a := Answer{Reamer: r, Question: q, Mean: law.Mean(), Low: law.Quantile((1 - Coverage) / 2), High: law.Quantile((1 + Coverage) / 2)}
	a.Shared, a.Scatter = law.Shares()
	a.Rate, a.RateLow, a.RateHigh = l.Law.Rate(Coverage)
	depth := length.Length(usualDepth)
	if q.Depth != nil {
		depth = *q.Depth
	}
	counts := hardship(q.Material, q.Lubricant)
	a.Each, a.Weighed = depth.Micrometres()/1e6*counts, l.Weighed || counts != 1
	for _, e := range l.Events {
		switch e.Kind {
		case Cut:
			a.Cuts++
		case CheckCut:
			a.Checks++
		default:
			a.Readings++
		}
	}
	a.Unseen = l.Holes - a.Cuts - a.Checks
	least := vehicle.AboutAThousandth.Min
	if q.Clearance != nil {
		least = *q.Clearance
	}
	for _, s := range steps {
		one := StepLeft{Step: s}
		if s.Running {
			needed := length.Length(s.PinNm+s.UpperNm) + least
			a.left(&one, needed, law)
			a.ClearanceWasAssumed = a.ClearanceWasAssumed || q.Clearance == nil
		}
		a.Steps = append(a.Steps, one)
	}
	if q.Needed != nil {
		a.Asked = &StepLeft{}
		a.left(a.Asked, *q.Needed, law)
	}
	return a, a.chart()
}

func (a *Answer) left(s *StepLeft, needed length.Length, law interface{ Below(float64) float64 }) {
	over, l := (needed - a.Reamer.Marked).Micrometres(), a.Reamer.Now()
	s.Needed, s.TooSmall, s.Holes = &needed, law.Below(over), l.Law.HolesLeft(l.Travel, a.Each, over, a.Question.Risk)
}

// chart judges the one-step residuals, which are standard normal while the law holds: limits are known, and
// need not be learned from the residuals that are judged by them.
func (a *Answer) chart() error {
	q := controlchart.Question{Given: &controlchart.Given{Sigma: 1}, Rules: append(append([]controlchart.Rule{}, controlchart.Nelson...), controlchart.MovingRange)}
	for _, l := range a.Reamer.Lives {
		if len(l.Events) > 0 {
			q.Starts = append(q.Starts, len(a.Charted))
		}
		a.Charted = append(a.Charted, l.Events...)
	}
	if drop := len(a.Charted) - controlchart.MostValues; drop > 0 {
		a.Charted = a.Charted[drop:]
		kept := []int{}
		for _, start := range q.Starts {
			if start > drop {
				kept = append(kept, start-drop)
			}
		}
		q.Starts = kept
	}
	for _, e := range a.Charted {
		q.Values = append(q.Values, math.Max(-37, math.Min(37, e.Surprise)))
	}
	var err error
	if a.Chart, err = controlchart.Judge(q); err != nil {
		return fmt.Errorf("cutting: %w", err)
	}
	return nil
}
